// Package analysis turns pulse trains into revolutions, firings, statistics,
// a trend, findings and a verdict. It knows nothing of files, flags or drawing.
package analysis

import "sparkscope/dsp/health"

// Degrees is an angle of the crankshaft. As an advance it counts before top
// dead centre: positive before, negative after, wrapped to (-180, 180].
type Degrees float64

// SparkKind says what made the spark channel.
type SparkKind string

// The kinds of spark signal.
const (
	Clamp      SparkKind = "clamp"      // a clamp around the plug lead; what an empty kind means
	Microphone SparkKind = "microphone" // the spark was heard
	Contacts   SparkKind = "contacts"   // the contacts themselves, opening
)

// ReferenceKind says what made the reference channel; empty: find out.
type ReferenceKind string

// The kinds of reference pick-up.
const (
	ContactReference ReferenceKind = "contact" // reed, Hall, optical: the edge into its shorter state
	CoilReference    ReferenceKind = "coil"    // passive magnetic: the crossing between its lobes
)

// SparksPerRev is a count of sparks per crankshaft revolution as a fraction:
// 1/1, 2/1, or 1/2 for every second revolution. The zero value: find out.
type SparksPerRev struct {
	Num, Den int // sparks in so many revolutions: Den 1 or, with Num 1, 2
}

// Setup is what the user says about the recording. Pointers that are nil and
// zero values named "find" mean: not said.
type Setup struct {
	SparkChannel, ReferenceChannel int // from 1; 0: find. Equal: both on one input
	SparkKind                      SparkKind
	ReferenceKind                  ReferenceKind // "": find
	ReferenceAngle                 *Degrees      // crank degrees before top dead centre
	ReferencePulses                int           // per revolution, >= 1
	SparksPerRev                   SparksPerRev
	// FiringOffsets has one offset for each cylinder, in the order of their
	// numbers: degrees of forward rotation from the firing of cylinder 1, whose
	// own is 0, to that of this one, 0 to less than 720. Nil: not said.
	FiringOffsets []float64
	// Dwell is how long contacts on the spark's channel are closed, roughly,
	// crank degrees; nil: they are taken to be closed for the longer time.
	Dwell                        *Degrees
	SpeedFluctuation             *float64 // (fastest-slowest)/mean within one revolution, 0..2
	Static                       *Degrees
	StaticTolerance              *Degrees // half-width, rectangular
	SparkDelayS, ReferenceDelayS float64  // from the true event to its appearance
	// ReferenceDelayStated says that ReferenceDelayS was stated, which a value of
	// 0 alone does not tell: an optical or Hall pick-up has next to none.
	ReferenceDelayStated     bool
	ReferenceAngleTolerance  *Degrees // half-width, rectangular
	DelayToleranceS          *float64 // of both delays, half-width, rectangular; wins over the next two
	SparkDelayToleranceS     *float64 // half-width, rectangular
	ReferenceDelayToleranceS *float64 // half-width, rectangular
	// ConverterSkewS is by how much the converter's channel 2 is later than
	// channel 1, seconds: what happens at one moment on both appears that much
	// later on channel 2. It is taken out of that channel's times.
	ConverterSkewS          float64
	ConverterSkewToleranceS *float64 // half-width, rectangular
	// EngineFile is the name of the file that some of these came from, for
	// the outputs; empty: none.
	EngineFile        string
	Target, Tolerance *Degrees
	// TargetTable is the target by speed, in the place of Target, its speeds
	// rising: see TargetAt. Nil: none.
	TargetTable []TargetRow
	// Breaker is what is known of the contact breaker. No figure depends on it:
	// it is for what is said of turning the plate.
	Breaker Breaker
}

// Breaker is what is known of a contact breaker and its plate; nil and empty:
// not said.
type Breaker struct {
	CamTurnsPerRev  *float64 // of the shaft with the cam, per turn of the crank: 1 or 0.5
	PlateDiameterMM *float64 // above 0
	GapMM           *float64 // as set, above 0
	GapMinMM        *float64 // least that is allowed, above 0
	GapMaxMM        *float64 // most that is allowed, above 0
	Rotation        string   // of the crank, seen from the flywheel side: "clockwise" or "anticlockwise"
}

// Recording describes where the samples came from; filled in by the caller.
type Recording struct {
	Path         string   // as the caller names it; "-" a stream
	SampleRateHz float64  // per channel
	Channels     int      // of the recording, >= 1
	Bits         int      // per sample, as stored
	Encoding     string   // "pcm" or "float"
	DurationS    float64  // seconds
	Remarks      []string // what the reader had to say: truncated, unfinished header
	// Health is the state of each channel as recorded, in order; nil: not known,
	// and then nothing is said of hum, codecs and the like.
	Health []health.Channel
	// Fingerprint is of the samples, not of the file's name or container, as
	// dsp/fingerprint makes it; empty: not taken.
	Fingerprint string
}

// Decision is something that was found, assumed or given, and why: "spark
// channel", "2", "its pulses …". Outputs say every one.
type Decision struct {
	What  string // "spark channel"
	Value string // "2"
	Why   string // a clause without a full stop
	Given bool   // the user said so
}

// Status says whether a spark counts. OK counts; any other word says why not.
type Status string

const (
	OK           Status = "ok"
	Repeated     Status = "repeated"     // a further spark in the same firing
	NoReference  Status = "no-reference" // no reference around it to measure from
	Interference Status = "interference" // unlike this channel's sparks, or where no spark can be
	Isolated     Status = "isolated"     // no neighbouring sparks to say it belongs
)

// Firing is one spark event found, counted or not, in time order.
type Firing struct {
	TimeS      float64 // onset as recorded, before any delay is removed
	Revolution int     // counted from the first reference event = 0
	Cylinder   int     // 0 with one spark per revolution or fewer; else which of them
	RPM        float64 // over about one revolution around the event; 0 when Status leaves it open
	Advance    Degrees // valid when HasAngle
	Sigma      Degrees // random standard uncertainty of Advance from the timing, not the engine's scatter
	HasAngle   bool
	Status     Status
}

// Missing is an event that should have been there: a spark the ignition
// missed, one that could not be timed, or a reference pulse that was bridged.
// Listed, in time order, as remarks of the event table.
type Missing struct {
	What       string  // "spark", UntimedSpark, "reference" or MissingSamples
	TimeS      float64 // where it was expected, as recorded; of samples, the middle of the turn
	Revolution int     // counted from the first reference event = 0
	Reason     string  // what it was inferred from
}

// UntimedSpark is the Missing.What of the place of a spark that is there but too
// much disturbed to be timed: the ignition did not miss it, and the row of what is
// there, of status Interference, stands some degrees beside that place.
const UntimedSpark = "untimed spark"

// Counts of what was found.
type Counts struct {
	Revolutions        int // whole ones between the first and the last reference, gaps left out
	Sparks             int // every spark event found
	OK                 int // those that count
	MissedSparks       int // firings without a spark
	RepeatedSparks     int // further sparks of a firing
	OtherSparks        int // neither ok nor repeated
	MissedReferences   int // bridged
	RejectedReferences int // pulses of the reference channel that are no reference event
}

// Summary of one set of advances.
type Summary struct {
	N        int     // counted sparks
	Mean     Degrees // taken about the circular mean, wrapped
	Median   Degrees // the same
	StdDev   Degrees // n-1; the engine's scatter about its own trend-free mean; 0 when N < 2
	Robust   Degrees // 1.4826 times the median absolute deviation
	Expanded Degrees // expanded uncertainty of Mean, coverage 95 %; see HasExpanded
	// HasExpanded is false when there is no basis for an uncertainty (N < 2).
	HasExpanded bool
	// SamplingStd is how far another recording of as many sparks would differ
	// by the engine's scatter alone (standard deviation): StdDev over the root
	// of the number of independent sparks. No part of Expanded, whose subject
	// is the mean of these sparks.
	SamplingStd Degrees
	// Target is what the engine should fire at, averaged over these sparks' own
	// speeds; nil without a target.
	Target *Degrees
	Budget *Budget // of Mean; nil when HasExpanded is false
}

// Bin is the summary of one range of crankshaft speed.
type Bin struct {
	FromRPM float64 // inclusive
	ToRPM   float64 // exclusive
	MeanRPM float64 // of its sparks
	Summary
}

// Cylinder is the summary of one cylinder of several.
type Cylinder struct {
	Number int // that of Firing.Cylinder
	// Stated are the numbers of the cylinders that fire at this place by the
	// stated firing offsets, and OffsetDeg is that place; nil: not stated.
	Stated    []int
	OffsetDeg float64 // degrees of rotation after cylinder 1, 0 to less than 360; valid with Stated
	Summary
}

// What a trend is taken for. Trend.Why says it in a sentence.
const (
	Constant           = "constant"                   // no slope beyond its uncertainty
	AngleAndDelay      = "constant angle and a delay" // straight through all speeds: pick-up or ignition, not separable
	AdvanceCurve       = "advance curve"              // changes with speed as no constant delay could make it
	NotDistinguishable = "not distinguishable"        // straight, but a delay or a leg of an advance curve
	TooLittleRange     = "too little range"           // the slope is known too poorly to say
	NoSingleCurve      = "no single curve"            // at one speed the angle depends on more than the speed
)

// Trend is advance against speed: the straight line
// Advance = Intercept + SlopePer1000·(rpm/1000) with its covariance, and the
// continuous curve of straight pieces that the sparks ask for.
type Trend struct {
	Intercept, InterceptStd Degrees
	SlopePer1000, SlopeStd  Degrees // per 1000 rpm
	Correlation             float64 // between intercept and slope, -1..1
	// Covariance between Intercept and SlopePer1000, degrees² per 1000 rpm:
	// the variance of the line at a speed r, in thousands of rpm, is
	// InterceptStd² + 2·r·Covariance + r²·SlopeStd².
	Covariance          float64
	EquivalentDelayS    float64 // seconds: -slope/6, slope in degrees per rpm
	EquivalentDelayStdS float64 // its standard uncertainty, seconds
	ResidualStd         Degrees // about the line
	FromRPM, ToRPM      float64 // slowest and fastest counted spark, rpm
	Straight            bool    // no corner and no bin lies off the line beyond its scatter and a stated floor
	N                   int     // counted sparks
	IndependentN        float64 // how many independent sparks the N are worth

	InterceptBudget, SlopeBudget *Budget // with what is common to all sparks, such as delays; the slope's per 1000 rpm

	Explanation string // one of the constants above
	Why         string // the same as a sentence, and what would tell more

	Corners      []Corner  // where the curve bends, in order of speed; none where it is straight or no single curve
	Segments     []Segment // its straight pieces, in order of speed: one more than Corners; none without corners
	Ends         *Ends     // what the outer pieces have in common; nil where they have not
	CurveStd     Degrees   // scatter about the curve
	LackOfFit    Degrees   // farthest that a bin's mean lies from the curve, beyond what its scatter explains; else 0
	UpDown       *UpDown   // nil where speed did not both rise and fall
	Alternatives []Alternative
}

// Corner is a point at which an advance curve bends.
type Corner struct {
	RPM, RPMStd         float64 // and its standard uncertainty
	Advance, AdvanceStd Degrees // angle at the corner, about RPM's uncertainty too
}

// Segment is a straight piece of an advance curve.
type Segment struct {
	FromRPM, ToRPM         float64
	From, To               Degrees // the curve at its ends
	SlopePer1000, SlopeStd Degrees // per 1000 rpm
	EquivalentDelayS       float64 // -slope/6: the net delay that would explain this piece alone
	EquivalentDelayStdS    float64
}

// Ends is what a curve's first and last piece, having one slope in common, say
// of a delay that acts at all speeds, and of the mechanism between them.
type Ends struct {
	SlopePer1000, SlopeStd Degrees // per 1000 rpm
	EquivalentDelayS       float64
	EquivalentDelayStdS    float64
	Rise, RiseStd          Degrees // from the first corner to the last, without the common slope
}

// UpDown is the angle while the speed rises less that while it falls, at equal
// speed, with its standard uncertainty, where it is surest.
type UpDown struct {
	RPM             float64 // about where
	Difference, Std Degrees
}

// Alternative is a curve that was tried. The one with the least Criterion is
// taken; one with fewer corners where DepartureDeg is below a stated floor.
type Alternative struct {
	Name       string // "constant", "straight line", "2 corners", "2 corners, ends alike"
	Corners    int
	Parameters int     // as the criterion counts them: one for the scatter, three for each corner
	ScatterDeg float64 // standard deviation about it, degrees
	Criterion  float64 // above the least of the table, dimensionless
	// DepartureDeg is how far it departs from the best with a corner fewer,
	// degrees; 0 without corners.
	DepartureDeg float64
	Taken        bool
}

// Difference between two angles with its expanded uncertainty (95 %).
type Difference struct {
	At       string  // "idle", "top", "zero speed"
	RPM      float64 // 0 at zero speed
	Running  Degrees // mean of the bin, or the trend's intercept
	Value    Degrees // running minus static
	Expanded Degrees // coverage 95 %, the static angle's tolerance in it
}

// StaticComparison sets the running angle against the static one.
type StaticComparison struct {
	Static      Degrees      // as given
	Tolerance   Degrees      // half-width, rectangular: given or the default
	Differences []Difference // lowest and highest bin of five sparks or more, and zero speed where there is a trend
}

// Decision words of the verdict.
const (
	Within    = "within"
	Outside   = "outside"
	Undecided = "undecided"
)

// Verdict against target and tolerance.
type Verdict struct {
	Decision    string  // Within, Outside or Undecided
	Target      Degrees // as given; of a table, averaged over the sparks' own speeds
	ByTable     bool    // the target is a table
	Tolerance   Degrees // half-width, as given
	Deviation   Degrees // mean minus target
	Probability float64 // conformity probability (JCGM 106:2012, 7), 0..1
	// Advice says, for undecided, what would settle it, and of a decision that
	// rests on the reference having no delay, of which nothing was stated, that it does.
	Advice string
	// Doubt is the code of the finding for which the decision is Undecided
	// whatever the figures say; empty: none. Probability is then what the
	// figures alone would give, and Advice says what to mend.
	Doubt  string
	Settle *Settlement // the same in figures; nil when decided, or when nothing is uncertain
	Bins   []BinVerdict
	// Cylinders are the verdicts for each of Result.Cylinders (same order, same
	// length).
	Cylinders []BinVerdict
}

// BinVerdict is the verdict for one bin of Result.Bins (same order, same length),
// or for one cylinder.
type BinVerdict struct {
	Decision    string      // undecided without an uncertainty
	Target      Degrees     // as that of Verdict, over the bin's sparks
	Deviation   Degrees     // mean minus target
	Probability float64     // conformity probability, 0..1
	Advice      string      // as that of Verdict
	Settle      *Settlement // as that of Verdict
}

// Settlement says what would settle a verdict, the mean staying where it is.
type Settlement struct {
	Margin Degrees // from the measured mean to the nearer limit: positive inside, negative outside
	// Source is the largest component; with it known as well as To says, and
	// all else as it is, the verdict would be decided. To is 0 where that
	// would take knowing it exactly and more: see Alone.
	Source   string
	Unit     string  // of From and To
	From, To float64 // half-width of its input quantity, or standard uncertainty where it has no bounds
	Alone    bool    // whether that component alone can settle it
	Sparks   int     // for the scatter of the timing: the number of sparks that would do; else 0
	Expanded Degrees // the expanded uncertainty that would settle it
}

// Severity of a finding.
type Severity string

// The severities.
const (
	Note    Severity = "note"    // worth knowing
	Warning Severity = "warning" // the result suffers, or may
	Serious Severity = "serious" // the result may be wrong
)

// Finding is something the reader must know. Code is stable.
type Finding struct {
	Code     string   // of lower-case words and hyphens
	Severity Severity // how much it weighs
	Message  string   // sentences for the user
	Count    int      // events concerned, 0 when it does not apply
	FirstS   float64  // time of the first one; valid when Count > 0
	// Beside says that it bears on the answer as a whole: outputs say it right
	// beside the answer, not among the others.
	Beside bool
	// Engine says that it is about the engine, and tells what to do there.
	Engine bool
}

// Result is everything an output may say.
type Result struct {
	Recording   Recording         // as handed in
	Setup       Setup             // as used, with what was found filled in
	Decisions   []Decision        // in the order in which they were taken
	Counts      Counts            // of events
	MinRPM      float64           // over the counted sparks
	MaxRPM      float64           // the same
	MeanRPM     float64           // the same
	Advance     Summary           // of all counted sparks
	Relative    bool              // no reference angle given: advances are -phase, relative to the reference
	Bins        []Bin             // in order of speed; none is empty
	Cylinders   []Cylinder        // in order of Number; nil with one spark per revolution or fewer
	Trend       *Trend            // nil when the speeds do not spread enough
	Dwell       *Dwell            // nil unless the spark's channel shows contacts
	Static      *StaticComparison // nil when no static angle was given, or angles are relative
	Uncertainty []Component       // that of Advance.Budget
	Verdict     *Verdict          // nil without target and tolerance
	Findings    []Finding
	Firings     []Firing  // every spark event found, in time order
	Missing     []Missing // what should have been there and was not, in time order
}
