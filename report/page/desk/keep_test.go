package desk

import (
	"bytes"
	"encoding/json"
	"os"
	"regexp"
	"strings"
	"testing"

	"sparkscope/dsp/fingerprint"
	"sparkscope/dsp/wav"
)

func fingerprintOf(t *testing.T, f finished) string {
	t.Helper()
	var r struct {
		Recording struct {
			Fingerprint string `json:"fingerprint"`
		} `json:"recording"`
	}
	if err := json.Unmarshal(f.Result, &r); err != nil {
		t.Fatal(err)
	}
	return r.Recording.Fingerprint
}

// TestKept: while it listens another target forgets nothing, another reference
// angle all but the marks; and the result names exactly the samples from where the
// input had settled.
func TestKept(t *testing.T) {
	_, x := made(t, 44100, "1500 hold 4s")
	const from, gap = 8820, 441 // the input stumbles once, 0.2 s after its start
	d := New()
	ask[any](t, d, "engine", string(must(json.Marshal(map[string]string{"toml": engineFile}))))
	ask[any](t, d, "start", `{"rate_hz":44100,"channels":2,"sparks":20}`)
	anew, begun := 0, 0
	sum := fingerprint.New(44100, 2)
	push := func(until int) {
		for ; begun+512 <= until; begun += 512 {
			block := [][]float32{append([]float32{}, x[0][begun:begun+512]...), append([]float32{}, x[1][begun:begun+512]...)}
			for i := range block[0] {
				if k := begun + i; k >= from && k < from+gap {
					block[0][i], block[1][i] = 0, 0
				}
			}
			k := d.Push(block, int64(begun))
			if k >= 0 {
				anew++
				sum = fingerprint.New(44100, 2)
			}
			k = max(0, k)
			sum.Push([][]float32{block[0][k:], block[1][k:]}, 512-k)
		}
	}
	push(3 * 44100)
	if anew != 1 {
		t.Fatalf("it began anew %d times, want once", anew)
	}
	before := ask[reading](t, d, "read", `{}`)
	if before.Reading.Advance == nil || before.Reading.N < 20 {
		t.Fatalf("read %+v", before.Reading)
	}
	if m := ask[map[string]string](t, d, "mark", ""); m["mark"] != "before" {
		t.Errorf("the first mark: %v", m)
	}
	ask[any](t, d, "set", `{"key":"target.angle_deg","text":"12"}`)
	if r := ask[renewed](t, d, "renew", ""); r.Anew {
		t.Error("another target, and what was read is forgotten")
	}
	after := ask[reading](t, d, "read", `{}`)
	if *after.Reading.Advance != *before.Reading.Advance || after.Reading.N != before.Reading.N || after.Words["target"] != "12.0°" || after.Words["by"] == before.Words["by"] {
		t.Errorf("with another target %v %+v, before %v %+v", after.Words, after.Reading, before.Words, before.Reading)
	}
	ask[any](t, d, "set", `{"key":"reference.angle_deg","text":"31"}`)
	if r := ask[renewed](t, d, "renew", ""); !r.Anew {
		t.Error("another reference angle, and what was read with the old one stays")
	}
	push(len(x[0]))
	if r := ask[reading](t, d, "read", `{}`); !strings.HasPrefix(r.Words["marked"], "Before: ") {
		t.Errorf("the mark is gone: %v", r.Words)
	}
	end := ask[finished](t, d, "finish", `{"name":"live","whole":true}`)
	if got := fingerprintOf(t, end); got != sum.String() {
		t.Errorf("the result's fingerprint is %q, that of the recording %s", got, sum)
	}
}

// TestNotWhole: a recording whose beginning is gone is not named by samples that
// nobody has.
func TestNotWhole(t *testing.T) {
	_, x := made(t, 44100, "1500 hold 2s")
	d := New()
	ask[any](t, d, "start", `{"rate_hz":44100,"channels":2,"sparks":20}`)
	play(t, d, 44100, x, nil)
	if got := fingerprintOf(t, ask[finished](t, d, "finish", `{"name":"live"}`)); got != "" {
		t.Errorf("fingerprint %q", got)
	}
}

// flags are words of the command, which a user of the page does not have.
var flags = regexp.MustCompile(`(^|[\s>(])--[a-z][a-z-]+`)

// TestFLAC: what FLAC holds is measured as the same samples in WAV are, names the
// same recording, and no output speaks of flags.
func TestFLAC(t *testing.T) {
	var got [2]finished
	for i, path := range []string{"../../../testdata/synthetic/every-second.wav", "../../../cmd/sparkscope/testdata/every-second.flac"} {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		d := New()
		d.Source = bytes.NewReader(b)
		got[i] = ask[finished](t, d, "measure", `{"name":"pull"}`)
		if i == 0 {
			r, err := wav.NewReader(bytes.NewReader(b))
			if err != nil {
				t.Fatal(err)
			}
			sum := fingerprint.New(r.Format().Rate, 2)
			block := [][]float32{make([]float32, 4096), make([]float32, 4096)}
			for {
				n, err := r.Read(block)
				sum.Push(block, n)
				if err != nil || n == 0 {
					break
				}
			}
			if f := fingerprintOf(t, got[0]); f != sum.String() {
				t.Errorf("fingerprint %q, want %s", f, sum)
			}
		}
		style := regexp.MustCompile(`(?s)<style.*?</style>`)
		for what, s := range map[string]string{"text": got[i].Text, "sheets": style.ReplaceAllString(got[i].HTML, ""), "result": string(got[i].Result)} {
			if f := flags.FindString(s); f != "" {
				t.Errorf("%s: its %s names the flag %q", path, what, f)
			}
		}
	}
	if a, b := meanOf(t, got[0]), meanOf(t, got[1]); a != b || fingerprintOf(t, got[0]) != fingerprintOf(t, got[1]) {
		t.Errorf("WAV %.9f° %s, FLAC %.9f° %s", a, fingerprintOf(t, got[0]), b, fingerprintOf(t, got[1]))
	}
}
