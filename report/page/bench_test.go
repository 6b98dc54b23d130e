package page_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"sparkscope/analysis/engine/scene"
)

// processes are the CPU times of the browser's processes, seconds, by what they
// are; nil where the system does not tell. Their user data folder is how they are
// known.
func processes(folder string) map[string]float64 {
	const ticks = 100 // a second, of /proc/PID/stat on Linux
	out := map[string]float64{}
	all, err := filepath.Glob("/proc/[0-9]*/cmdline")
	if err != nil {
		return nil
	}
	parents := map[string]string{}
	cpu, kind := map[string]float64{}, map[string]string{}
	roots := map[string]bool{}
	for _, path := range all {
		pid := filepath.Base(filepath.Dir(path))
		line, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		stat, err := os.ReadFile(filepath.Join(filepath.Dir(path), "stat"))
		if err != nil {
			continue
		}
		_, rest, ok := strings.Cut(string(stat), ") ")
		f := strings.Fields(rest)
		if !ok || len(f) < 13 {
			continue
		}
		u, _ := strconv.ParseFloat(f[11], 64)
		s, _ := strconv.ParseFloat(f[12], 64)
		parents[pid], cpu[pid] = f[1], (u+s)/ticks
		kind[pid] = "browser"
		// A process that was forked shows its flags in one piece.
		for _, a := range strings.FieldsFunc(string(line), func(r rune) bool { return r == 0 || r == ' ' }) {
			if k, ok := strings.CutPrefix(a, "--type="); ok {
				kind[pid] = k
			}
			if a == "--user-data-dir="+folder {
				roots[pid] = true
			}
		}
	}
	for pid := range cpu {
		for p := pid; p != "" && p != "0"; p = parents[p] {
			if roots[p] {
				out[kind[pid]] += cpu[pid]
				break
			}
		}
	}
	return out
}

// BenchmarkPage prints what the page costs while it reads, in a real browser with
// a recording as its microphone, all views closed: of the whole browser and of the
// process that runs the page (audio in, engine and drawing), as a share of one
// core; how long a reading takes; and how old the newest spark of the mean is when
// its figure is on the page, beyond two revolutions and beyond the quickest way of
// a block to the page, which no clock here measures.
//
//	go test ./report/page -run '^$' -bench Page -benchtime 1x
func BenchmarkPage(b *testing.B) {
	for _, rate := range []int{deviceRate, 192000} {
		b.Run(fmt.Sprintf("%d_Hz", rate), func(b *testing.B) {
			const rpm = 1500
			path, _ := recording(b, func(s *scene.Spec) { s.Engine.Profile = profile(b, fmt.Sprintf("%d hold 60s", rpm)) })
			folder := b.TempDir()
			ctx := browser(b, append(microphone(path), userData(folder))...)
			open(b, ctx, serve(b))
			js[any](b, ctx, fmt.Sprintf(`ask('engine', {toml: %q}).then(takeEngine)`, setup))
			if rate != deviceRate {
				// The browser resamples its microphone; for the engine it is all one.
				js[any](b, ctx, fmt.Sprintf(`(window.Context = AudioContext, window.AudioContext = function (o) { return new Context({sampleRate: %d}); }, null)`, rate))
			}
			js[any](b, ctx, start)
			until(b, ctx, 50, `shown && shown.reading.n >= 20 && !shown.reading.provisional`)
			js[any](b, ctx, `(window.log = [], window.plain = worker.onmessage, worker.onmessage = (e) => { window.plain(e); if (e.data.kind === 'reading') window.log.push([performance.now() / 1000, e.data.a.reading.time_s, e.data.a.reading.last_spark_s, e.data.cost]); }, null)`)
			before, begun := processes(folder), time.Now()
			time.Sleep(10 * time.Second)
			after, took := processes(folder), time.Since(begun).Seconds()
			log := js[[][4]float64](b, ctx, `window.log`)
			whole := 0.0
			for k := range after {
				whole += after[k] - before[k]
			}
			b.ReportMetric(100*whole/took, "%_of_a_core,_browser")
			b.ReportMetric(100*(after["renderer"]-before["renderer"])/took, "%_of_a_core,_page")
			b.ReportMetric(float64(len(log))/took, "readings/s")
			b.ReportMetric(log[len(log)-1][3], "ms/reading")
			quickest := log[0][0] - log[0][1]
			for _, l := range log {
				quickest = min(quickest, l[0]-l[1])
			}
			var age []float64 // when it is first on the page
			last := 0.0
			for _, l := range log {
				if l[2] > last {
					last = l[2]
					age = append(age, 1000*(l[0]-quickest-l[2]-2*60/float64(rpm)))
				}
			}
			slices.Sort(age)
			b.ReportMetric(age[len(age)/2], "ms_old,_median")
			b.ReportMetric(age[len(age)*99/100], "ms_old,_99_%")
			b.ReportMetric(0, "ns/op")
		})
	}
}
