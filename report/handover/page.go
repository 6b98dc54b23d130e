package handover

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"io"
	"strings"

	"sparkscope/report/letters"
	"sparkscope/report/plot"
)

//go:embed page.html
var pageSource string

// HTML writes the page: the two sheets, and below them, on the screen only, what
// rest holds. It needs nothing from elsewhere: the pictures are inside it, and
// there is no script. It fails on pictures of what is no number, and on write
// errors; nothing is written then but by the writer itself.
func HTML(w io.Writer, c Content, rest template.HTML) error {
	faces, err := letters.Load()
	if err != nil {
		return err
	}
	page, err := template.New("page").Funcs(template.FuncMap{
		"text": func(t Table, c int) bool { return t.Text != nil && t.Text[c] },
		"last": func(t Table, row int) bool { return t.Last > 0 && row == len(t.Rows)-t.Last },
		"dash": orDash,
	}).Parse(pageSource)
	if err != nil {
		return err
	}
	s := setter{faces}.fitted(c, slack)
	v := struct {
		sheets
		Rest                                                      template.HTML
		CoursePicture, WheelPicture, ScatterPicture, SpeedPicture template.HTML
		Left, Right                                               []Pair
		Done                                                      string
		Captions                                                  [4]string
		Signs                                                     []string
		Lines                                                     []int // to write upon
		Found                                                     []Note
		Tab, Compared, ComparedIn                                 string
	}{
		sheets: s, Rest: rest, Done: doneWord, Signs: signNames(), Found: onBoth(&s), Tab: tabTitle(s.Title), Compared: s.comparedHead(), ComparedIn: s.comparedIn(),
		Captions: [4]string{courseCaption, wheelCaption, or(s.ScatterCaption, scatterCaption), or(s.SpeedCaption, speedCaption)},
		Lines:    make([]int, int(tall/writeLine)),
	}
	half := (len(s.Setup) + 1) / 2
	v.Left, v.Right = s.Setup[:half], s.Setup[half:]
	for _, x := range []struct {
		to         *template.HTML
		fig        plot.Figure
		wide, tall float64
		name       string
	}{
		{&v.CoursePicture, c.Course, wide, s.height.Course, courseCaption},
		{&v.WheelPicture, c.Wheel, pairWide*wide - 2, s.height.Pair, wheelCaption},
		{&v.ScatterPicture, c.Scatter, (1-pairWide)*wide - 2, s.height.Pair, or(s.ScatterCaption, scatterCaption)},
		{&v.SpeedPicture, c.Speed, wide, s.height.Speed, or(s.SpeedCaption, speedCaption)},
	} {
		if x.fig == nil {
			continue
		}
		if *x.to, err = inline(x.fig, x.wide, x.tall, x.name); err != nil {
			return err
		}
	}
	var b bytes.Buffer // whole or not at all
	if err := page.Execute(&b, v); err != nil {
		return err
	}
	_, err = w.Write(b.Bytes())
	return err
}

// tabTitle is a title as it goes on a browser's tab.
func tabTitle(s string) string {
	const most = 70
	if r := []rune(s); len(r) > most {
		s = string(r[:most-2]) + " …"
	}
	if s == "" {
		s = "Report"
	}
	return s
}

// inline is a picture as it stands in a page, with its name for those who do
// not see it.
func inline(fig plot.Figure, wide, tall float64, name string) (template.HTML, error) {
	var b bytes.Buffer
	if err := plot.DrawBare(&b, fig, plot.SVG, wide, tall); err != nil {
		return "", err
	}
	s := b.String()
	i := strings.Index(s, "<svg ")
	if i < 0 {
		return "", fmt.Errorf("handover: the picture %q is no SVG", name)
	}
	// Without the XML declaration, which HTML does not allow inside.
	s = `<svg role="img" aria-label="` + template.HTMLEscapeString(name) + `" ` + s[i+len("<svg "):]
	return template.HTML(s), nil //nolint:gosec // written by package plot, which escapes its texts
}
