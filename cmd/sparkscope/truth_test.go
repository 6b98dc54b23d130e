package main

import (
	"bytes"
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// What a measurement of a committed recording may be off from its truth table.
const (
	truthRecall    = 0.98 // of the sparks between the first and the last reference event
	truthPrecision = 0.99 // of the counted rows
	truthMeanDeg   = 0.15 // besides what the speed within the revolution hides from one reference
	truthRMSDeg    = 0.3  // about that mean; twice that turned by hand
	// truthHandRPM is the fastest that anyone turns an engine by hand. One mark a turn does
	// not show how the hand jerks in between: with exact times of all events the sparks of
	// by-hand.wav are 0.304° off about their mean.
	truthHandRPM = 150.0
	// truthNearDeg is how far from its place in the truth table a spark's row may
	// lie: less than the 5° to a second spark, more than a minimum-phase
	// converter's delay at these speeds.
	truthNearDeg = 2.0
	// truthLostSeconds is the share of second sparks that may be missing from the
	// table: one that lies in the ringing of a disturbed first is not detected.
	truthLostSeconds = 0.15
)

// The committed recordings measure as their truth tables say: counted sparks
// are true ones, the advance of each is right, the stated uncertainty holds the
// mean, and every true spark is in the event table, as a row or in a remark.
func TestCommittedRecordingsMeasure(t *testing.T) {
	notAtOnce(t)
	files, err := filepath.Glob(filepath.Join("..", "..", "testdata", "synthetic", "*.csv"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no truth tables: %v", err)
	}
	for _, truth := range files {
		t.Run(strings.TrimSuffix(filepath.Base(truth), ".csv"), func(t *testing.T) {
			text, err := os.ReadFile(truth)
			if err != nil {
				t.Fatal(err)
			}
			if calibrates(text) {
				return // TestCommittedCalibrations has it
			}
			said := func(pattern string) string {
				m := regexp.MustCompile(pattern).FindSubmatch(text)
				if m == nil {
					t.Fatalf("%s does not say %s", truth, pattern)
				}
				return string(m[1])
			}
			refDelay, sparkDelay := said(`inverted \S+, normally closed \S+, delay (\S+) s`), said(`# spark signal: .*, delay (\S+) s`)
			fluctuation := number(t, said(`within the revolution: ([0-9.]+)`))
			var sparks []map[string]string
			var refs []float64
			var refAngle string
			for _, e := range readTruth(t, truth) {
				switch e["what"] {
				case "spark", "repeated":
					sparks = append(sparks, e)
				case "reference":
					refs, refAngle = append(refs, number(t, e["time_s"])), e["advance_deg"]
				}
			}
			out := filepath.Join(t.TempDir(), "events.csv")
			args := []string{"measure", strings.TrimSuffix(truth, ".csv") + ".wav", "--reference-angle", refAngle, "--reference-delay", refDelay + "s",
				"--spark-delay", sparkDelay + "s", "--speed-fluctuation", said(`within the revolution: ([0-9.]+)`), "--events", out, "--json", "-"}
			if strings.Contains(string(text), "# the spark's channel shows the contacts") {
				args = append(args, "--spark-kind", "contacts")
			}
			var stdout, stderr bytes.Buffer
			if status := run(hears.once(context.Background()), args, strings.NewReader(""), &stdout, &stderr); status != exitOK {
				t.Fatalf("%v: exit status %d, said %s", args, status, stderr.String())
			}
			var result struct {
				Advance struct {
					Mean float64 `json:"mean_deg"`
					U    float64 `json:"expanded_uncertainty_deg"`
				}
			}
			if err := json.Unmarshal(stdout.Bytes(), &result); err != nil {
				t.Fatal(err)
			}
			events, err := os.ReadFile(out)
			if err != nil {
				t.Fatal(err)
			}
			rows := readTruth(t, out)
			var remarked []float64
			for _, m := range regexp.MustCompile(`(?m)^# .* at ([0-9.]+) s`).FindAllSubmatch(events, -1) {
				remarked = append(remarked, number(t, string(m[1])))
			}
			nearest := func(at, tol float64) map[string]string {
				var best map[string]string
				for _, r := range rows {
					if d := math.Abs(number(t, r["time_s"]) - at); d < tol && (best == nil || d < math.Abs(number(t, best["time_s"])-at)) {
						best = r
					}
				}
				return best
			}
			counted, right, inside, found, seconds, lostSeconds := 0, 0, 0, 0, 0, 0
			for _, r := range rows {
				if r["status"] == "ok" {
					counted++
				}
			}
			var off, mean []float64
			arm, fastest := 0.0, 0.0
			for _, e := range sparks {
				at := number(t, e["time_s"])
				near := truthNearDeg / 6 / number(t, e["rpm"])
				row := nearest(at, near)
				lost := row == nil && !slices.ContainsFunc(remarked, func(x float64) bool { return math.Abs(x-at) < near })
				if e["what"] != "spark" {
					seconds++
					if lost {
						lostSeconds++
					}
					continue
				}
				if lost {
					t.Errorf("the spark at %.9f s is neither in a row nor in a remark", at)
				}
				ok := row != nil && row["status"] == "ok"
				if at > refs[0] && at < refs[len(refs)-1] {
					inside++
					if ok {
						found++
					}
				}
				if ok {
					right++
					d := math.Remainder(number(t, row["advance_deg"])-number(t, e["advance_deg"]), 360)
					off = append(off, d)
					mean = append(mean, number(t, e["advance_deg"]))
					arm = number(t, refAngle) - number(t, e["advance_deg"])
					fastest = math.Max(fastest, number(t, e["rpm"]))
				}
			}
			if r := float64(found) / float64(inside); !(r >= truthRecall) {
				t.Errorf("recall %.3f: %d of %d sparks counted", r, found, inside)
			}
			if float64(lostSeconds) > truthLostSeconds*float64(seconds) {
				t.Errorf("%d of %d second sparks are neither in a row nor in a remark", lostSeconds, seconds)
			}
			if p := float64(right) / float64(counted); !(p >= truthPrecision) {
				t.Errorf("precision %.3f: %d of %d counted rows are true sparks", p, right, counted)
			}
			avg := func(x []float64) float64 {
				s := 0.0
				for _, v := range x {
					s += v
				}
				return s / float64(len(x))
			}
			bias, sq := avg(off), 0.0
			for _, d := range off {
				sq += (d - bias) * (d - bias)
			}
			// With several cylinders each has its own arm: half a turn is the longest.
			if strings.Contains(string(text), "cylinder offsets [0 ") {
				arm = 180
			}
			hidden := fluctuation * math.Abs(math.Sin(arm*math.Pi/360)) * 180 / math.Pi // analysis/README.md, speed within the revolution
			rms := math.Sqrt(sq / float64(len(off)))
			t.Logf("recall %d/%d, precision %d/%d, mean %+.3f° (hidden %.2f°), rms %.3f°", found, inside, right, counted, bias, hidden, rms)
			if !(math.Abs(bias) <= truthMeanDeg+hidden) {
				t.Errorf("mean error %+.3f°: want within ±%.3f°", bias, truthMeanDeg+hidden)
			}
			limit := truthRMSDeg
			if fastest <= truthHandRPM {
				limit *= 2
			}
			if !(rms <= limit) && arm != 180 {
				t.Errorf("rms error about its mean %.3f°: want at most %.1f°", rms, limit)
			}
			if d := math.Remainder(result.Advance.Mean-avg(mean), 360); !(math.Abs(d) <= result.Advance.U) {
				t.Errorf("mean advance %.3f°, truly %.3f°: more than the stated ±%.3f° off", result.Advance.Mean, avg(mean), result.Advance.U)
			}
		})
	}
}
