//go:build !minimal

package handover

import (
	"image/color"
	"io"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"sparkscope/report/letters"
	"sparkscope/report/pdf"
	"sparkscope/report/plot"
)

// PDF writes the two sheets. Letters that the type lacks, such as Chinese and
// Arabic ones, are boxes there, and the first sheet says so. It fails on
// pictures of what is no number, and on write errors.
func PDF(w io.Writer, c Content) error {
	faces, err := letters.Load()
	if err != nil {
		return err
	}
	t := setter{faces}
	doc, err := pdf.New(c.Title, paperWide*vg.Millimeter, paperTall*vg.Millimeter)
	if err != nil {
		return err
	}
	s := t.fitted(c, lineTall(smallSize)) // for what is said of letters
	lacking := lacks(faces, c)
	for n, draws := range []func(*painter, *sheets) error{(*painter).first, (*painter).second} {
		p := &painter{setter: t, c: draw.NewCanvas(doc.Page(), paperWide*vg.Millimeter, paperTall*vg.Millimeter), x: margin, y: margin}
		if err := draws(p, &s); err != nil {
			return err
		}
		if n == 0 && lacking {
			p.y = paperTall - margin - lineTall(smallSize)
			p.words(0, wide, smallSize, false, true, "□ stands for a letter that this file's type has none of: the page (--report FILE.html) has them all.")
		}
	}
	_, err = doc.WriteTo(w)
	return err
}

// lacks says whether the type has not all letters of what came from outside.
func lacks(faces *letters.Faces, c Content) bool {
	all := []string{c.Title, c.Source, c.Repeat, c.Before}
	all = append(all, c.Remarks...)
	for _, p := range c.Setup {
		all = append(all, p.Value)
	}
	for _, s := range all {
		for _, r := range s {
			if r > ' ' && !faces.Has(false, r) {
				return true
			}
		}
	}
	return false
}

// painter draws from the top of a page down; lengths in mm.
type painter struct {
	setter
	c    draw.Canvas
	x, y float64 // of the next thing, from the page's upper left corner
}

// at is a place on the canvas.
func (p *painter) at(x, y float64) vg.Point {
	return vg.Point{X: vg.Length(x) * vg.Millimeter, Y: vg.Length(paperTall-y) * vg.Millimeter}
}

var (
	ruleInk = color.Gray{0xb4}
	boxInk  = color.Gray{0x30}
)

// rule is a line from left to right.
func (p *painter) rule(x, w, y, thick float64, k color.Color) {
	a, b := p.at(p.x+x, y), p.at(p.x+x+w, y)
	p.c.StrokeLine2(draw.LineStyle{Color: k, Width: vg.Length(thick) * vg.Millimeter}, a.X, a.Y, b.X, b.Y)
}

// line sets one line whose top is at y.
func (p *painter) line(x, y, size float64, bold, soft bool, s string) {
	at := p.at(p.x+x, y+(1+(lead-1)/2-0.095)*size*point)
	sty := plot.TextStyle(size, bold, soft)
	p.c.SetColor(sty.Color)
	p.c.FillString(sty.Handler.Cache().Lookup(sty.Font, sty.Font.Size), at, s)
}

// words sets a paragraph and moves below it.
func (p *painter) words(x, w, size float64, bold, soft bool, s string) {
	for _, l := range p.wrap(bold, s, size, w) {
		p.line(x, p.y, size, bold, soft, l)
		p.y += lineTall(size)
	}
}

// note sets a paragraph whose lead is bold.
func (p *painter) note(x, w, size float64, head, s string) {
	head += ":"
	for i, l := range p.wrap(false, head+" "+s, size, w) {
		if rest, ok := cutPrefix(l, head); i == 0 && ok {
			p.line(x, p.y, size, true, false, head)
			p.line(x+p.room(true, head, size)+0.25*size*point, p.y, size, false, false, rest)
		} else {
			p.line(x, p.y, size, false, false, l)
		}
		p.y += lineTall(size)
	}
}

func cutPrefix(s, prefix string) (rest string, ok bool) {
	if len(s) < len(prefix) || s[:len(prefix)] != prefix {
		return s, false
	}
	s = s[len(prefix):]
	for len(s) > 0 && s[0] == ' ' {
		s = s[1:]
	}
	return s, true
}

func (p *painter) head(s string) {
	p.y += headAbove
	p.line(0, p.y, headSize, true, false, s)
	p.y += lineTall(headSize) + headBelow
}

// more says what had no room, and where it is.
func (p *painter) more(s string) { p.moreIn(s, "on the page (--report FILE.html)") }

func (p *painter) moreIn(s, where string) {
	if s != "" {
		p.words(0, wide, smallSize, false, true, "… "+s+", "+where+".")
	}
}

// table sets a table.
func (p *painter) table(tab Table, size float64) {
	if len(tab.Rows) == 0 {
		return
	}
	widths := p.columns(tab, size, wide)
	row := func(r []string, bold bool) {
		top, x := p.y+rowSpace/2, 0.0
		for c, s := range r {
			if tab.Text != nil && tab.Text[c] {
				for i, l := range p.wrap(bold, s, size, widths[c]-columnGap) {
					p.line(x, top+float64(i)*lineTall(size), size, bold, false, l)
				}
			} else {
				at := x + widths[c] - columnGap - p.room(bold, s, size)
				if c == 0 {
					at = x
				} else if c == len(r)-1 {
					at += columnGap
				}
				p.line(at, top, size, bold, false, s)
			}
			x += widths[c]
		}
		p.y += p.rowTall(tab, r, widths, size, bold)
	}
	row(tab.Head, true)
	p.rule(0, wide, p.y, 0.25, boxInk)
	for i, r := range tab.Rows {
		if tab.Last > 0 && i == len(tab.Rows)-tab.Last {
			p.rule(0, wide, p.y, 0.15, boxInk)
		} else if i > 0 {
			p.rule(0, wide, p.y, 0.1, ruleInk)
		}
		row(r, false)
	}
	p.words(0, wide, size, false, true, tab.Note)
}

// picture draws a figure with its caption above.
func (p *painter) picture(x, w, h float64, caption string, fig plot.Figure) error {
	if fig == nil {
		return nil
	}
	p.line(x, p.y, smallSize, true, false, caption)
	top := p.y + lineTall(smallSize)
	lo, hi := p.at(p.x+x, top+h), p.at(p.x+x+w, top)
	return plot.Upon(draw.Canvas{Canvas: p.c.Canvas, Rectangle: vg.Rectangle{Min: lo, Max: hi}}, fig)
}

// first draws the first sheet.
func (p *painter) first(s *sheets) error {
	for _, l := range s.title {
		p.line(0, p.y, titleSize, true, false, l)
		p.y += lineTall(titleSize)
	}
	p.words(0, wide, smallSize, false, true, s.Source)
	p.y += 2

	h := p.answerTall(&s.Content)
	lo, hi := p.at(p.x, p.y+h), p.at(p.x+wide, p.y)
	p.c.StrokeLines(draw.LineStyle{Color: boxInk, Width: 1.2}, []vg.Point{lo, {X: hi.X, Y: lo.Y}, hi, {X: lo.X, Y: hi.Y}, lo, {X: hi.X, Y: lo.Y}})
	end := p.y + h
	p.y += boxPad
	p.words(boxPad, wide-2*boxPad, answerSize, true, false, s.Answer)
	if s.Verdict != "" {
		p.y += 0.8
		p.note(boxPad, wide-2*boxPad, textSize, s.Verdict, s.Reason)
	}
	for _, n := range s.Caveats {
		p.y += 0.8
		p.note(boxPad, wide-2*boxPad, smallSize, n.Lead, n.Text)
	}
	if len(s.ToDo) > 0 {
		p.y += 0.8
		p.words(boxPad, wide-2*boxPad, textSize, true, false, s.ToDoHead)
	}
	for _, n := range s.ToDo {
		p.y += 0.8
		p.note(boxPad, wide-2*boxPad, textSize, n.Lead, n.Text)
	}
	p.y = end
	p.more(s.MoreCaveats)

	p.head("Engine and set-up")
	top := p.y
	half := (len(s.Setup) + 1) / 2
	for i, x := range s.Setup {
		left := 0.0
		if i >= half {
			left = setupColumn + 6
		}
		if i == half {
			p.y = top
		}
		p.line(left, p.y, smallSize, false, true, x.Name)
		p.words(left+setupName, setupColumn-setupName, smallSize, false, false, orDash(x.Value))
		p.y += 0.5
	}
	p.y = top + p.setupTall(s.Setup)
	p.more(s.MoreSetup)

	gap := lineTall(smallSize) + 2.5
	p.y += 2.5
	if s.Course != nil {
		if err := p.picture(0, wide, s.height.Course, courseCaption, s.Course); err != nil {
			return err
		}
		p.y += s.height.Course + gap
	}
	if s.Wheel != nil || s.Scatter != nil {
		if err := p.picture(0, pairWide*wide-2, s.height.Pair, wheelCaption, s.Wheel); err != nil {
			return err
		}
		if err := p.picture(pairWide*wide+2, (1-pairWide)*wide-2, s.height.Pair, or(s.ScatterCaption, scatterCaption), s.Scatter); err != nil {
			return err
		}
		p.y += s.height.Pair + gap
	}
	if s.Speed != nil {
		if err := p.picture(0, wide, s.height.Speed, or(s.SpeedCaption, speedCaption), s.Speed); err != nil {
			return err
		}
	}
	return nil
}

// second draws the second sheet.
func (p *painter) second(s *sheets) error {
	p.line(0, p.y, smallSize, false, true, p.shortened(false, s.Title+" – sheet 2 of 2", smallSize, wide, 1))
	p.y += lineTall(smallSize) + 1
	if len(s.BySpeed.Rows) > 0 {
		p.head("By engine speed")
		p.table(s.BySpeed, smallSize)
		p.more(s.MoreBySpeed)
	}

	p.head("Findings, and what was done about them")
	p.line(0, p.y, smallSize, true, false, "Found")
	p.line(findingWide+columnGap, p.y, smallSize, true, false, doneWord)
	p.y += lineTall(smallSize) + rowSpace/2
	p.rule(0, wide, p.y, 0.25, boxInk)
	if len(s.Findings)+len(s.ToDo) == 0 {
		p.line(0, p.y+rowSpace/2, textSize, false, false, "Nothing.")
		p.y += rowSpace + 2*lineTall(textSize)
	}
	for _, n := range onBoth(s) {
		top := p.y
		p.y += rowSpace / 2
		p.note(0, findingWide-columnGap, textSize, n.Lead, n.Text)
		p.y = max(p.y, top+rowSpace/2+2*lineTall(textSize)) + rowSpace/2
		p.rule(0, wide, p.y, 0.1, ruleInk)
	}
	p.more(s.MoreFindings)

	if s.Before != "" {
		p.head(s.comparedHead())
		p.words(0, wide, textSize, false, false, s.Before)
		p.y += 0.8
		p.table(s.Changes, smallSize)
		p.moreIn(s.MoreChanges, "which "+s.comparedIn()+" has")
	}
	if len(s.Budget.Rows) > 0 {
		p.head("Where the ± of the mean comes from")
		p.table(s.Budget, smallSize)
		p.more(s.MoreBudget)
		p.words(0, wide, smallSize, false, false, s.Together)
	}
	p.head("To measure it again")
	p.words(0, wide, smallSize, false, false, s.Repeat)
	p.words(0, wide, smallSize, false, true, s.Program)

	// From the foot up: signature and cautions.
	foot := paperTall - margin
	cautions := 0.0
	for _, c := range s.Cautions {
		cautions += p.paragraphTall(false, c, smallSize, wide)
	}
	p.head("Remarks")
	for _, r := range s.Remarks {
		p.words(0, wide, textSize, false, false, r)
	}
	p.more(s.MoreRemarks)
	for y := p.y + writeLine; y < foot-roomToSign-cautions-2; y += writeLine {
		p.rule(0, wide, y, 0.1, ruleInk)
	}
	p.y = foot - roomToSign - cautions
	for _, c := range s.Cautions {
		p.words(0, wide, smallSize, false, false, c)
	}
	names := signNames()
	each := wide / float64(len(names))
	for i, n := range names {
		p.rule(float64(i)*each, each-4, foot-lineTall(smallSize)-0.8, 0.25, boxInk)
		p.line(float64(i)*each, foot-lineTall(smallSize), smallSize, false, true, n)
	}
	return nil
}
