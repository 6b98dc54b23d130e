package page_test

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"sparkscope/analysis/engine"
	"sparkscope/analysis/engine/scene"
	"sparkscope/dsp/wav"
	"sparkscope/report/page"
)

// chromium is the browser, or the test is skipped.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Skip("no Chromium is installed: the page is not tried in a browser (apt-get install chromium)")
	return ""
}

// deviceRate is that of the browser's fake microphone, Hz; a recording of that
// rate, whose length is a multiple of its blocks, comes through bit by bit.
const (
	deviceRate  = 44100
	deviceBlock = 441
)

// recording renders an invented engine as a 16-bit file for the fake microphone,
// with a tail of silence.
func recording(t *testing.T, change func(*scene.Spec)) (path string, truth *scene.Truth) {
	t.Helper()
	spec := scene.Default()
	spec.RateHz = deviceRate
	change(&spec)
	truth, src, err := scene.Render(spec)
	if err != nil {
		t.Fatal(err)
	}
	x := src.All()
	n := len(x[0]) / deviceBlock * deviceBlock
	for c := range x {
		x[c] = append(x[c][:n:n], make([]float64, 10*deviceBlock)...)
	}
	path = filepath.Join(t.TempDir(), "microphone.wav")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	w, err := wav.NewWriter(f, wav.Format{Rate: deviceRate, Channels: len(x), Bits: 16, Encoding: wav.PCM})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return path, truth
}

func profile(t *testing.T, s string) engine.Profile {
	t.Helper()
	p, err := engine.ParseProfile(s)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// serve hands the page out on this machine and returns its address.
func serve(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	h, err := page.Handler(page.Options{Hosts: page.HostsOf(l.Addr())})
	if err != nil {
		t.Fatal(err)
	}
	s := page.Server(h)
	go func() { _ = s.Serve(l) }()
	t.Cleanup(func() { _ = s.Close() })
	return "http://" + l.Addr().String() + "/"
}

// browser starts one with a microphone that plays a file, or with what flags say.
func browser(t *testing.T, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true))
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	t.Cleanup(cancel)
	ctx, stop := chromedp.NewExecAllocator(ctx, append(opts, flags...)...)
	t.Cleanup(stop)
	return tab(t, ctx)
}

// tab is a further tab of the same browser.
func tab(t *testing.T, ctx context.Context) context.Context {
	t.Helper()
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	return ctx
}

func microphone(path string) []chromedp.ExecAllocatorOption {
	return []chromedp.ExecAllocatorOption{chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.Flag("use-fake-ui-for-media-stream", true),
		chromedp.Flag("use-file-for-fake-audio-capture", path+"%noloop")}
}

// js evaluates an expression, awaiting a promise, and decodes what comes out.
func js[T any](t *testing.T, ctx context.Context, expression string) T {
	t.Helper()
	s, err := chromedp.Run(ctx, chromedp.Evaluate[string]("(async () => JSON.stringify(await ("+expression+")) ?? 'null')()", chromedp.EvalAwaitPromise))
	if err != nil {
		t.Fatalf("%s: %v", expression, err)
	}
	var v T
	if err := json.Unmarshal([]byte(s), &v); err != nil {
		t.Fatalf("%s: %v in %s", expression, err, s)
	}
	return v
}

// until waits in the page for an expression to become true.
func until(t *testing.T, ctx context.Context, seconds float64, expression string) {
	t.Helper()
	ok := js[bool](t, ctx, fmt.Sprintf(`new Promise((done) => {
		const begun = performance.now();
		const look = () => { if (%s) done(true); else if (performance.now() - begun > %g) done(false); else setTimeout(look, 20); };
		look();
	})`, expression, seconds*1000))
	if !ok {
		state := js[map[string]string](t, ctx, `({state: $('state').textContent, act: $('act').textContent, why: $('why').textContent, notes: $('notes').textContent, phase})`)
		t.Fatalf("after %g s not yet: %s; the page says %v", seconds, expression, state)
	}
}

// open loads the page and waits for its engine.
func open(t *testing.T, ctx context.Context, address string) {
	t.Helper()
	if err := chromedp.Do(ctx, chromedp.Navigate(address)); err != nil {
		t.Fatal(err)
	}
	until(t, ctx, 20, `phase === 'idle'`)
}

// picture keeps a screenshot where SPARKSCOPE_PICTURES names a folder, to be
// looked at.
func picture(t *testing.T, ctx context.Context, name string) {
	t.Helper()
	folder := os.Getenv("SPARKSCOPE_PICTURES")
	if folder == "" {
		return
	}
	b, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(folder, name+".png"), b, 0o666); err != nil {
		t.Fatal(err)
	}
}

const setup = `[reference]
angle_deg = 30.0
angle_tolerance_deg = 0.3
delay_tolerance_us = 10.0
[target]
angle_deg = 16.0
tolerance_deg = 1.0
`

// TestReading: from the microphone to the figure, against the truth; then an
// engine that stops.
func TestReading(t *testing.T) {
	// The mean of 20 sparks against the true mean of the last 20 that came; the
	// timing points are those of a short stretch, see analysis/live.
	const off = 0.35 // degrees
	path, truth := recording(t, func(s *scene.Spec) {
		s.Engine.Profile = profile(t, "1500 hold 9s, ramp 0 in 500ms, hold 4s")
		s.Engine.ScatterDeg = 0.2
	})
	want, n := 0.0, 0
	for _, e := range truth.Of(engine.Spark) {
		if e.AppearsS > 2 && e.AppearsS < 9 {
			want += e.AdvanceDeg
			n++
		}
	}
	want /= float64(n)
	ctx := browser(t, microphone(path)...)
	open(t, ctx, serve(t))
	js[any](t, ctx, fmt.Sprintf(`ask('engine', {toml: %q}).then(takeEngine)`, setup))
	js[any](t, ctx, `(document.querySelectorAll('details[data-want]').forEach((d) => { d.open = true; }), $('start').click(), null)`)
	until(t, ctx, 15, `shown && shown.reading.n >= 20 && shown.reading.time_s > 4`)
	got := js[struct {
		Reading struct {
			Advance float64 `json:"advance_deg"`
			RPM     float64 `json:"rpm"`
			State   string  `json:"state"`
		} `json:"reading"`
		Words map[string]string `json:"words"`
	}](t, ctx, `shown`)
	if math.Abs(got.Reading.Advance-want) > off || math.Abs(got.Reading.RPM-1500) > 15 || got.Reading.State != "reading" {
		t.Errorf("read %+v; the truth is %.2f° at 1500 rpm", got.Reading, want)
	}
	onPage := js[map[string]string](t, ctx, `Object.fromEntries(['act', 'by', 'angle', 'rpm', 'state', 'why'].map((k) => [k, $(k).textContent]))`)
	if way := "Retard: turn"; onPage["act"] != way || onPage["angle"] != fmt.Sprintf("%.1f°", got.Reading.Advance) {
		t.Errorf("the page shows %v, want %s and %.1f°", onPage, way, got.Reading.Advance)
	}
	t.Logf("%v", onPage)
	picture(t, ctx, "reading")
	t.Logf("cost of a reading %.1f ms", js[float64](t, ctx, `new Promise((r) => { const f = worker.onmessage; worker.onmessage = (e) => { f(e); if (e.data.kind === 'reading') { worker.onmessage = f; r(e.data.cost); } }; })`))

	until(t, ctx, 12, `$('desk').dataset.stale === 'yes'`)
	if s := js[string](t, ctx, `$('age').textContent`); !strings.Contains(s, "old") {
		t.Errorf("stale, and said is %q", s)
	}
	picture(t, ctx, "stale")
	js[any](t, ctx, `($('stop').click(), null)`)
	until(t, ctx, 15, `phase === 'idle'`)
	t.Log(js[string](t, ctx, `$('state').textContent + ' ' + $('result-head').textContent`))
	picture(t, ctx, "stopped")
}
