package analysis

import "sparkscope/dsp"

// Listening is what the user's words leave open about a channel's pulses: the
// options of its detector. Channels count from 1.
func (s Setup) Listening(channel int) dsp.Options {
	o := s.shapesOn(channel)
	o.Echoes = s.SparkKind == Microphone && (s.SparkChannel == channel || s.SparkChannel == 0 && s.ReferenceChannel != channel)
	return o
}

func (s Setup) shapesOn(channel int) dsp.Options {
	spark, reference := s.SparkChannel == channel, s.ReferenceChannel == channel
	switch {
	case spark && !reference && s.SparkKind != Contacts:
		return dsp.Options{Only: []dsp.Kind{dsp.Burst}}
	case spark && !reference:
		return dsp.Options{Only: []dsp.Kind{dsp.Contact}, Breaker: true, Longer: s.OpensIntoLonger()}
	case s.SparkKind == Contacts && s.SparkChannel == 0 && !reference:
		return dsp.Options{Breaker: true}
	case reference && !spark && s.ReferenceKind == CoilReference:
		return dsp.Options{Only: []dsp.Kind{dsp.Lobes}}
	case reference && !spark && s.ReferenceKind == ContactReference:
		return dsp.Options{Only: []dsp.Kind{dsp.Contact, dsp.Burst}}
	}
	return dsp.Options{}
}
