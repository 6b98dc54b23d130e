package handover

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	cdppage "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// TestPrinted opens the pages in a browser. As printed there are two pages of
// A4 and nothing is cut off on them; on a narrow screen and at 200 % (of a
// window of 1280 pixels) nothing leaves the window to the right.
func TestPrinted(t *testing.T) {
	browser := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			browser = path
			break
		}
	}
	if browser == "" {
		t.Skip("no Chromium is installed: the report is not printed by a browser (apt-get install chromium)")
	}
	dir := t.TempDir()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	ctx, stop := chromedp.NewExecAllocator(ctx, append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(browser), chromedp.NoSandbox, chromedp.DisableGPU)...)
	defer stop()
	ctx, shut := chromedp.NewContext(ctx)
	defer shut()
	number := func(expression string) float64 {
		t.Helper()
		v, err := chromedp.Run(ctx, chromedp.Evaluate[float64](expression))
		if err != nil {
			t.Fatalf("%s: %v", expression, err)
		}
		return v
	}
	for name, c := range contents() {
		var b bytes.Buffer
		if err := HTML(&b, c, `<h3>the rest</h3><div class="scroll"><table><tbody><tr><td>a table that is wider than a telephone shows at once, and then some more</td></tr></tbody></table></div>`); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name+".html")
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := chromedp.Do(ctx, chromedp.Navigate("file://"+path)); err != nil {
			t.Fatal(err)
		}
		for _, wide := range []int64{360, 640, 1280} {
			if _, err := chromedp.Call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: wide, Height: 800, DeviceScaleFactor: 1}); err != nil {
				t.Fatal(err)
			}
			if got := number("document.documentElement.scrollWidth"); got > float64(wide) {
				t.Errorf("%s: %.0f pixels wide in a window of %d", name, got, wide)
			}
		}
		out, err := chromedp.Call(ctx, cdppage.PrintToPDF, cdppage.PrintToPDFParams{PreferCSSPageSize: new(true)})
		if err != nil {
			t.Fatal(err)
		}
		if n := bytes.Count(out.Data, []byte("/Type /Page\n")); n != 2 {
			t.Errorf("%s: printed on %d pages, want 2", name, n)
		}
		// As it is laid out for paper: 186 mm wide, 96 pixels to the inch.
		if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}); err != nil {
			t.Fatal(err)
		}
		if _, err := chromedp.Call(ctx, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: 703, Height: 1032, DeviceScaleFactor: 1}); err != nil {
			t.Fatal(err)
		}
		for i := range 2 {
			// Where the last thing ends, beyond where the sheet does.
			over := number(fmt.Sprintf(`(() => { const s = document.querySelectorAll(".sheet")[%d]; const end = s.getBoundingClientRect().bottom;
				return Math.max(...[...s.children].map((x) => x.getBoundingClientRect().bottom - end)); })()`, i))
			if over > 0.5 {
				t.Errorf("%s: %.0f pixels of sheet %d are cut off", name, over, i+1)
			}
			if beside := number(fmt.Sprintf(`(() => { const s = document.querySelectorAll(".sheet")[%d]; return s.scrollWidth - s.clientWidth; })()`, i)); beside > 0.5 {
				t.Errorf("%s: sheet %d is %.0f pixels too wide", name, i+1, beside)
			}
		}
		if _, err := chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{}); err != nil {
			t.Fatal(err)
		}
	}
}

// TestValid has the pages looked at by html-validate, where it is installed:
// npm install html-validate@10.17.0
func TestValid(t *testing.T) {
	validator, err := exec.LookPath("html-validate")
	if err != nil {
		t.Skip("html-validate is not in the path: the page is not validated (npm install html-validate@10.17.0)")
	}
	dir := t.TempDir()
	args := []string{"--preset", "standard"}
	for name, c := range contents() {
		var b bytes.Buffer
		if err := HTML(&b, c, "<h3>the rest</h3>"); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name+".html")
		if err := os.WriteFile(path, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
		args = append(args, path)
	}
	if out, err := exec.Command(validator, args...).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	// And it does find something.
	bad := filepath.Join(dir, "bad.html")
	if err := os.WriteFile(bad, []byte("<!DOCTYPE html><html><body><p><div></p></body></html>"), 0o644); err != nil {
		t.Fatal(err)
	}
	if exec.Command(validator, "--preset", "standard", bad).Run() == nil {
		t.Error("it takes what is wrong")
	}
}
