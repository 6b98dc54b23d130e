package known_test

import (
	"testing"

	"sparkscope/analysis"
	"sparkscope/analysis/enginefile"
	"sparkscope/analysis/known"
)

// TestUse: what no flag says comes from the file, and is said to; a flag wins.
func TestUse(t *testing.T) {
	f, err := enginefile.Parse([]byte("[target]\nangle_deg = 18.0\ntolerance_deg = 2.0\n[reference]\nangle_deg = 30.0\nangle_tolerance_deg = 0.4\n"))
	if err != nil {
		t.Fatal(err)
	}
	var s analysis.Setup
	said := known.Use(func(string) bool { return false }, &s, "bench.toml", f)
	if s.ReferenceAngle == nil || *s.ReferenceAngle != 30 || *s.ReferenceAngleTolerance != 0.4 || *s.Target != 18 || *s.Tolerance != 2 || s.EngineFile != "bench.toml" || len(said) != 3 {
		t.Errorf("from the file: %+v, said %v", s, said)
	}
	flag := analysis.Degrees(35)
	s = analysis.Setup{ReferenceAngle: &flag}
	known.Use(func(name string) bool { return name == "reference-angle" }, &s, "bench.toml", f)
	if *s.ReferenceAngle != 35 || s.ReferenceAngleTolerance != nil {
		t.Errorf("against the flag: %v ± %v", *s.ReferenceAngle, s.ReferenceAngleTolerance)
	}
}
