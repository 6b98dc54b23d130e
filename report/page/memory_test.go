package page_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"sparkscope/analysis/engine/scene"
)

// BenchmarkMemory lets the engine of the page listen for SPARKSCOPE_HOURS, 8 if not
// said, as quickly as it can, outside of a browser, and fails where its memory grows
// by more than 1 MiB after the first hour.
func BenchmarkMemory(b *testing.B) {
	const most = 1 // MiB, as "study live" has it for the command
	node, err := exec.LookPath("node")
	if err != nil {
		b.Skip("no node is installed: the memory of the page's engine is not measured (apt-get install nodejs)")
	}
	hours := 8
	if s := os.Getenv("SPARKSCOPE_HOURS"); s != "" {
		if hours, err = strconv.Atoi(s); err != nil || hours < 2 {
			b.Fatalf("SPARKSCOPE_HOURS=%s: want a whole number from 2", s)
		}
	}
	spec := scene.Default()
	spec.RateHz = 48000
	spec.Engine.Profile = profile(b, "3000 hold 20s")
	_, src, err := scene.Render(spec)
	if err != nil {
		b.Fatal(err)
	}
	var doc []byte
	for _, c := range src.All() {
		for _, v := range c {
			doc = binary.LittleEndian.AppendUint32(doc, math.Float32bits(float32(math.Round(v*32768)/32768)))
		}
	}
	file := filepath.Join(b.TempDir(), "samples")
	if err := os.WriteFile(file, doc, 0o666); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		out, err := exec.CommandContext(b.Context(), node, filepath.Join("testdata", "memory.js"), "assets", file, fmt.Sprint(hours)).CombinedOutput()
		if err != nil {
			b.Fatalf("%v: %s", err, out)
		}
		var first, last float64
		lines := strings.Split(strings.TrimSpace(string(out)), "\n")
		for _, line := range lines {
			var at, mib float64
			var sparks int
			if _, err := fmt.Sscan(line, &at, &sparks, &mib); err != nil {
				b.Fatalf("%q: %v", line, err)
			}
			if float64(sparks) < 0.8*at*3600*50 { // 50 a second, but for the seams
				b.Errorf("after %g h only %d sparks were counted", at, sparks)
			}
			if at == 1 {
				first = mib
			}
			last = mib
		}
		if len(lines) != 2*hours || first == 0 {
			b.Fatalf("%s", out)
		}
		b.Logf("hours, sparks, MiB:\n%s", out)
		b.ReportMetric(last, "MiB")
		b.ReportMetric(last-first, "MiB-growth")
		if last-first > most {
			b.Errorf("from the first hour on the memory grew by %.2f MiB, want at most %d", last-first, most)
		}
	}
}
