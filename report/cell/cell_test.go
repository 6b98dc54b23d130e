package cell

import "testing"

// TestText: what begins a formula gets an apostrophe, everything else stays as it is.
func TestText(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "-": "-", "pull.wav": "pull.wav", "a=b": "a=b", "3-4": "3-4", "'x": "'x", "é": "é",
		"=1+1": "'=1+1", "+49": "'+49", "-3° turned": "'-3° turned", "--": "'--", "@home": "'@home", "\t=1": "'\t=1", "\r=1": "'\r=1",
	} {
		if got := Text(in); got != want {
			t.Errorf("Text(%q) = %q, want %q", in, got, want)
		}
	}
}
