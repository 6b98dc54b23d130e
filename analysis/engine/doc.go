// Package engine is a virtual engine: it turns a speed profile, an ignition and
// a set of magnets into the true times of sparks and reference events.
//
// Everything it says is exact to well under a nanosecond, and nothing in it
// knows of samples: it is the truth against which the instrument is proved.
// Angles count as everywhere in the project: crank angle grows forwards, top
// dead centre of cylinder 1 lies at whole multiples of 360°, an advance is
// degrees before top dead centre.
package engine
