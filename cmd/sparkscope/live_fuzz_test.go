package main

import (
	"bytes"
	"context"
	"encoding/json"
	"strings"
	"testing"

	"sparkscope/dsp/wav"
)

// FuzzLive hands any bytes to live as bare samples of every form, or as a WAV
// stream: it says something, and every line of it is JSON.
func FuzzLive(f *testing.F) {
	f.Add([]byte("RIFF"), byte(0), byte(2))
	f.Add(bytes.Repeat([]byte{0, 0, 0xff, 0x7f, 0, 0x80, 1}, 3000), byte(1), byte(1))
	f.Add(bytes.Repeat([]byte{0, 0, 0xc0, 0x7f}, 3000), byte(4), byte(8))
	f.Add(bytes.Repeat([]byte{0xff, 0xff, 0x7f, 0x7f, 0, 0, 0, 0}, 20000), byte(4), byte(2))
	f.Fuzz(func(t *testing.T, b []byte, form, channels byte) {
		if len(b) > 1<<19 {
			t.Skip("longer than needed")
		}
		args := []string{"live", "-", "--json", "--reference-angle", "30"}
		if forms := wav.RawForms(); form > 0 {
			args = append(args, "--raw", forms[int(form)%len(forms)], "--rate", "8000", "--channels", string('1'+rune(channels%8)))
		}
		var stdout, stderr bytes.Buffer
		status := run(context.Background(), args, bytes.NewReader(b), &stdout, &stderr)
		if status != exitOK && status != exitMeasure {
			t.Errorf("exit status %d: %s", status, &stderr)
		}
		if status == exitMeasure && strings.TrimSpace(stderr.String()) == "" {
			t.Error("not a word why")
		}
		for line := range strings.Lines(stdout.String()) {
			var v any
			d := json.NewDecoder(strings.NewReader(line))
			d.UseNumber()
			if err := d.Decode(&v); err != nil {
				t.Fatalf("not JSON: %v: %s", err, line)
			}
			checkNumbers(t, "", v)
		}
	})
}
