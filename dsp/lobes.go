package dsp

// lobeFinder finds the double lobes of a passive magnetic pick-up.
type lobeFinder struct{}

func newLobeFinder(r Rate) *lobeFinder { return &lobeFinder{} }

func (l *lobeFinder) scan(d *Detector, from, to int) {}

func (l *lobeFinder) settle(d *Detector) {}
