package handover

import (
	"fmt"
	"math"
	"strings"

	"sparkscope/report/letters"
)

// A4 and what of it is used, mm. The margin is more than printers leave blank
// (4 to 7 mm; common practice, no source).
const (
	paperWide, paperTall = 210.0, 297.0
	margin               = 12.0
	wide                 = paperWide - 2*margin // 186
	tall                 = paperTall - 2*margin // 273
	// slack is kept free at the foot of each sheet of a page, whose type may run
	// wider than the one that is measured with here.
	slack = 12.0
)

// Sizes of type, points, and from line to line.
const (
	point      = 25.4 / 72 // mm
	titleSize  = 15.0
	answerSize = 12.5
	headSize   = 10.0
	textSize   = 8.5
	smallSize  = 7.5
	lead       = 1.28 // line to line, of the size
)

// lineTall is the height of a line, mm.
func lineTall(size float64) float64 { return size * lead * point }

// Spaces, mm.
const (
	headAbove  = 2.6 // above a heading
	headBelow  = 1.0
	rowSpace   = 0.9 // above and below the words of a table's row, together
	columnGap  = 3.0
	roomToSign = 17.0 // for the signature
	writeLine  = 7.0  // from line to line where somebody writes
	leastRoom  = 2 * writeLine
)

// What is kept at least and at most.
const (
	mostFindings, leastFindings = 7, 2
	mostBySpeed, leastBySpeed   = 12, 4
	mostChanges, leastChanges   = 8, 3
	mostBudget, leastBudget     = 8, 3
	mostSetup                   = 16
	mostCaveats                 = 2
	mostFindingLines            = 5
	mostRepeatLines             = 16
	leastRepeatLines            = 4
	mostRemarkLines             = 4
	leastPictures               = 150 // mm of the first sheet
)

// setter measures words.
type setter struct{ faces *letters.Faces }

// room is how wide s is at a size in points, mm. Letters that the type lacks
// are taken to be as wide as they are high, as Chinese ones are.
func (t setter) room(bold bool, s string, size float64) float64 {
	lacking := 0
	known := strings.Map(func(r rune) rune {
		if !t.faces.Has(bold, r) {
			lacking++
			return -1
		}
		return r
	}, s)
	return t.faces.Width(bold, known, size*point) + float64(lacking)*size*point
}

// wrap breaks s into lines no wider than w mm; a word that is wider is broken.
func (t setter) wrap(bold bool, s string, size, w float64) []string {
	var out []string
	line := ""
	for _, word := range strings.Fields(s) {
		next := word
		if line != "" {
			next = line + " " + word
		}
		if t.room(bold, next, size) <= w {
			line = next
			continue
		}
		if line != "" {
			out = append(out, line)
		}
		for t.room(bold, word, size) > w {
			r := []rune(word)
			n := len(r) - 1
			for n > 1 && t.room(bold, string(r[:n]), size) > w {
				n--
			}
			n = max(1, n)
			out = append(out, string(r[:n]))
			if word = string(r[n:]); word == "" {
				break
			}
		}
		line = word
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

// shortened is s in at most so many lines, with an ellipsis where it is longer.
func (t setter) shortened(bold bool, s string, size, w float64, lines int) string {
	all := t.wrap(bold, s, size, w)
	if len(all) <= lines {
		return strings.Join(strings.Fields(s), " ")
	}
	kept := strings.Join(all[:lines], " ")
	r := []rune(kept)
	for len(r) > 0 && len(t.wrap(bold, string(r)+" …", size, w)) > lines {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ") + " …"
}

// columns are how wide a table's columns are, mm: as wide as their words, the
// rest to the columns of text.
func (t setter) columns(tab Table, size, w float64) []float64 {
	out := make([]float64, len(tab.Head))
	text := 0
	for c, h := range tab.Head {
		out[c] = t.room(true, h, size)
		if tab.Text != nil && tab.Text[c] {
			text++
		}
		for _, r := range tab.Rows {
			out[c] = max(out[c], t.room(false, r[c], size))
		}
		out[c] += columnGap
	}
	sum := 0.0
	for _, x := range out {
		sum += x
	}
	spare := w - sum
	if text == 0 { // spread evenly
		for c := range out {
			out[c] += max(0, spare) / float64(len(out))
		}
		return out
	}
	for c := range out {
		if tab.Text[c] {
			out[c] = max(15, out[c]+spare/float64(text))
		}
	}
	return out
}

// rowTall is the height of a row, mm.
func (t setter) rowTall(tab Table, r []string, widths []float64, size float64, bold bool) float64 {
	n := 1
	for c, s := range r {
		if tab.Text != nil && tab.Text[c] {
			n = max(n, len(t.wrap(bold, s, size, widths[c]-columnGap)))
		}
	}
	return float64(n)*lineTall(size) + rowSpace
}

// tableTall is the height of a table, mm; 0 without rows.
func (t setter) tableTall(tab Table, size, w float64, more string) float64 {
	if len(tab.Rows) == 0 {
		return 0
	}
	widths := t.columns(tab, size, w)
	h := t.rowTall(tab, tab.Head, widths, size, true)
	for _, r := range tab.Rows {
		h += t.rowTall(tab, r, widths, size, false)
	}
	if tab.Note != "" {
		h += t.paragraphTall(false, tab.Note, size, w)
	}
	if more != "" {
		h += lineTall(size)
	}
	return h
}

// cut is a table with at most n rows besides the last that are always kept:
// those to keep before all others, and of the others evenly chosen ones, the
// first and the last of them among them, or, of a table whose order is one of
// weight, the first ones. more says how many are left out, and how many of those
// should have been kept.
func cut(tab Table, n int, spread bool) (Table, string) {
	body := len(tab.Rows) - tab.Last
	if body <= n {
		return tab, ""
	}
	var keep, others []int
	for i := range body {
		if i < len(tab.Keep) && tab.Keep[i] {
			keep = append(keep, i)
		} else {
			others = append(others, i)
		}
	}
	chosen := make([]bool, body)
	choose := func(from []int, n int) {
		for i := range n {
			k := i
			if spread {
				k = int(math.Round(float64(i) * float64(len(from)-1) / float64(max(1, n-1))))
			}
			chosen[from[k]] = true
		}
	}
	kept := min(n, len(keep))
	choose(keep, kept)
	choose(others, n-kept)
	out := tab
	out.Rows, out.Keep = nil, nil
	for i, r := range tab.Rows {
		if i >= body || chosen[i] {
			out.Rows = append(out.Rows, r)
		}
	}
	more := fmt.Sprintf(tab.More, body-n)
	if lost := len(keep) - kept; lost > 0 {
		more += fmt.Sprintf(" (%d of them not shown to be within)", lost)
	}
	return out, more
}

// toKeep is how many rows of a table are to be kept before all others.
func toKeep(tab Table) int {
	n := 0
	for _, k := range tab.Keep {
		if k {
			n++
		}
	}
	return n
}

const headTall = headAbove + headBelow

func headRoom() float64 { return headTall + lineTall(headSize) }

// findingWide is what of a finding's row its words take, mm; the rest is for
// what was done about it.
const findingWide = 0.66 * wide

// findingsTall is the height of the findings, mm.
func (t setter) findingsTall(toDo, all []Note, more string) float64 {
	row := 2*lineTall(textSize) + rowSpace
	h := lineTall(smallSize) + rowSpace + float64(len(toDo))*row
	if len(toDo)+len(all) == 0 {
		h += row // "Nothing."
	}
	for _, n := range all {
		lines := len(t.wrap(false, n.Lead+": "+n.Text, textSize, findingWide-columnGap))
		h += float64(max(2, lines))*lineTall(textSize) + rowSpace
	}
	if more != "" {
		h += lineTall(smallSize)
	}
	return h
}

// paragraphTall is the height of words, mm.
func (t setter) paragraphTall(bold bool, s string, size, w float64) float64 {
	return float64(len(t.wrap(bold, s, size, w))) * lineTall(size)
}

// boxPad is the space within the box of the answer, mm.
const boxPad = 2.2

// answerTall is the height of the box with the answer, mm.
func (t setter) answerTall(c *Content) float64 {
	w := wide - 2*boxPad
	h := 2*boxPad + t.paragraphTall(true, c.Answer, answerSize, w)
	if c.Verdict != "" {
		h += 0.8 + t.paragraphTall(true, c.Verdict+": "+c.Reason, textSize, w)
	}
	for _, n := range c.Caveats {
		h += 0.8 + t.paragraphTall(false, n.Lead+": "+n.Text, smallSize, w)
	}
	if len(c.ToDo) > 0 {
		h += 0.8 + lineTall(textSize)
	}
	for _, n := range c.ToDo {
		h += 0.8 + t.paragraphTall(false, n.Lead+": "+n.Text, textSize, w)
	}
	return h
}

// setupColumn is one of the two columns of the set-up, mm.
const (
	setupColumn = (wide - 6.0) / 2
	setupName   = 30.0
)

// setupTall is the height of the set-up's two columns, mm.
func (t setter) setupTall(all []Pair) float64 {
	h := [2]float64{}
	half := (len(all) + 1) / 2
	for i, p := range all {
		h[min(1, i/max(1, half))] += t.paragraphTall(false, orDash(p.Value), smallSize, setupColumn-setupName) + 0.5
	}
	return max(h[0], h[1])
}

func orDash(s string) string {
	if strings.TrimSpace(s) == "" {
		return "–"
	}
	return s
}

// fitted chooses what has room, with so much kept free on each sheet, mm.
func (t setter) fitted(c Content, slack float64) sheets {
	s := sheets{Content: c}
	s.title = t.wrap(true, t.shortened(true, c.Title, titleSize, wide, 2), titleSize, wide)
	s.Title = strings.Join(s.title, " ")
	s.Source = t.shortened(false, c.Source, smallSize, wide, 2)
	s.Answer = t.shortened(true, c.Answer, answerSize, wide-2*boxPad, 2)
	// The first sheet: its words are shortened until the pictures have room.
	lines := struct{ reason, caveats, toDo, setup int }{4, 3, 5, 4}
	used := 0.0
	for {
		s.Reason = t.shortened(false, c.Reason, textSize, wide-2*boxPad-40, lines.reason)
		s.Caveats, s.MoreCaveats = t.notes(c.Caveats, mostCaveats, lines.caveats, smallSize, wide-2*boxPad, "more to know beside the answer")
		s.ToDo = nil
		for i, n := range c.ToDo {
			s.ToDo = append(s.ToDo, t.led(toDoLead(i), n.Text, textSize, wide-2*boxPad, lines.toDo))
		}
		s.Setup, s.MoreSetup = nil, ""
		for i, p := range c.Setup {
			if i == mostSetup {
				s.MoreSetup = fmt.Sprintf("more: %d", len(c.Setup)-mostSetup)
				break
			}
			s.Setup = append(s.Setup, Pair{t.shortened(false, p.Name, smallSize, setupName-2, 1), t.shortened(false, p.Value, smallSize, setupColumn-setupName, lines.setup)})
		}
		used = float64(len(s.title))*lineTall(titleSize) + t.paragraphTall(false, s.Source, smallSize, wide) + 2
		used += t.answerTall(&s.Content) + headRoom() + t.setupTall(s.Setup)
		if tall-used >= leastPictures || lines.reason+lines.caveats+lines.toDo+lines.setup == 5 {
			break
		}
		switch {
		case lines.setup > 1:
			lines.setup--
		case lines.toDo > 2:
			lines.toDo--
		case lines.caveats > 1:
			lines.caveats--
		default:
			lines.reason, lines.toDo = max(1, lines.reason-1), max(2, lines.toDo-1)
		}
	}
	// What the words leave is for the pictures.
	captions := 0
	for _, f := range []bool{c.Course != nil, c.Wheel != nil || c.Scatter != nil, c.Speed != nil} {
		if f {
			captions++
		}
	}
	used += float64(captions) * (lineTall(smallSize) + 2.5)
	for _, more := range []string{s.MoreCaveats, s.MoreSetup} {
		if more != "" {
			used += lineTall(smallSize)
		}
	}
	left := tall - slack - used
	// The wheel is read by its angles and keeps its size longest.
	s.height.Pair = min(66, max(0.37*left, min(56, 0.47*left)))
	s.height.Course, s.height.Speed = min(78, (left-s.height.Pair)*2/3), min(38, (left-s.height.Pair)/3)

	// The second sheet: more and more is left out, in turn, until the rest fits.
	s.Remarks, s.MoreRemarks = nil, ""
	taken := 0
	for i, r := range c.Remarks {
		r = t.shortened(false, r, textSize, wide, mostRemarkLines)
		n := len(t.wrap(false, r, textSize, wide))
		if taken+n > mostRemarkLines {
			s.MoreRemarks = fmt.Sprintf("more remarks: %d", len(c.Remarks)-i)
			break
		}
		taken += n
		s.Remarks = append(s.Remarks, r)
	}
	before := 3
	if c.BeforeHead != "" { // of all the parts
		before = 6
	}
	s.Before = t.shortened(false, c.Before, textSize, wide, before)
	s.Together = t.shortened(false, c.Together, smallSize, wide, 3)
	n := struct{ findings, speed, changes, budget, lines, repeat int }{mostFindings, mostBySpeed, mostChanges, mostBudget, mostFindingLines, mostRepeatLines}
	for {
		s.Repeat = t.shortened(false, c.Repeat, smallSize, wide, n.repeat)
		s.Findings, s.MoreFindings = t.notes(c.Findings, n.findings, n.lines, textSize, findingWide-columnGap, "more findings")
		s.BySpeed, s.MoreBySpeed = cut(c.BySpeed, n.speed, true)
		s.Changes, s.MoreChanges = cut(c.Changes, n.changes, true)
		s.Budget, s.MoreBudget = cut(c.Budget, n.budget, false)
		if t.secondTall(&s)+slack <= tall {
			break
		}
		// The one that is farthest above its least gives way.
		type give struct {
			n     *int
			least int
		}
		best, most := (*int)(nil), 0.0
		for _, g := range []give{{&n.speed, max(leastBySpeed, min(mostBySpeed, toKeep(c.BySpeed)))}, {&n.budget, leastBudget}, {&n.changes, leastChanges}, {&n.findings, leastFindings}, {&n.lines, 2}} {
			if share := float64(*g.n-g.least) / float64(g.least); *g.n > g.least && share > most {
				best, most = g.n, share
			}
		}
		if best == nil && n.speed > leastBySpeed { // too many to keep: they are counted
			best = &n.speed
		}
		// A command that is cut measures nothing: it gives way last.
		if n.repeat = min(n.repeat, len(t.wrap(false, s.Repeat, smallSize, wide))); best == nil && n.repeat > leastRepeatLines {
			best = &n.repeat
		}
		if best == nil {
			break
		}
		*best--
	}
	s.Whole = whole(&c, &s)
	return s
}

// toDoLead leads what to do, by its number.
func toDoLead(i int) string { return fmt.Sprintf("To do %d", i+1) }

// whole is all of what did not stand on the sheets as it was.
func whole(c *Content, s *sheets) []Note {
	var out []Note
	one := func(name, was, is string) {
		if was = strings.Join(strings.Fields(was), " "); was != is && was != "" {
			out = append(out, Note{name, was})
		}
	}
	one("Title", c.Title, s.Title)
	one("Measured", c.Source, s.Source)
	one("Answer", c.Answer, s.Answer)
	one(c.Verdict, c.Reason, s.Reason)
	list := func(was, is []Note) {
		for i, n := range was {
			is1 := ""
			if i < len(is) {
				is1 = is[i].Text
			}
			one(n.Lead, n.Text, is1)
		}
	}
	var toDo []Note
	for i, n := range c.ToDo {
		toDo = append(toDo, Note{toDoLead(i), n.Text})
	}
	list(toDo, s.ToDo)
	list(c.Caveats, s.Caveats)
	for i, p := range c.Setup {
		is := ""
		if i < len(s.Setup) {
			is = s.Setup[i].Value
		}
		one(p.Name, p.Value, is)
	}
	list(c.Findings, s.Findings)
	one(c.comparedHead(), c.Before, s.Before)
	one("To measure it again", c.Repeat, s.Repeat)
	for i, r := range c.Remarks {
		is := ""
		if i < len(s.Remarks) {
			is = s.Remarks[i]
		}
		one("Remark", r, is)
	}
	return out
}

// led is a note in at most so many lines. Its lead stands bold, which is wider.
func (t setter) led(lead, text string, size, w float64, lines int) Note {
	head := lead + ": "
	w -= t.room(true, head, size) - t.room(false, head, size) + 0.5
	return Note{lead, strings.TrimPrefix(t.shortened(false, head+text, size, w, lines), head)}
}

// notes are the first n, each in at most so many lines.
func (t setter) notes(all []Note, n, lines int, size, w float64, what string) ([]Note, string) {
	var out []Note
	for i, x := range all {
		if i == n {
			return out, fmt.Sprintf("%s: %d", what, len(all)-n)
		}
		out = append(out, t.led(x.Lead, x.Text, size, w, lines))
	}
	return out, ""
}

// secondTall is the height of the second sheet with the least room for remarks,
// mm.
func (t setter) secondTall(s *sheets) float64 {
	h := lineTall(smallSize) + 1 // the running head
	if len(s.BySpeed.Rows) > 0 {
		h += headRoom() + t.tableTall(s.BySpeed, smallSize, wide, s.MoreBySpeed)
	}
	h += headRoom() + t.findingsTall(s.ToDo, s.Findings, s.MoreFindings)
	if s.Before != "" {
		h += headRoom() + t.paragraphTall(false, s.Before, textSize, wide) + 0.8 + t.tableTall(s.Changes, smallSize, wide, s.MoreChanges)
	}
	if len(s.Budget.Rows) > 0 {
		h += headRoom() + t.tableTall(s.Budget, smallSize, wide, s.MoreBudget) + t.paragraphTall(false, s.Together, smallSize, wide)
	}
	h += headRoom() + t.paragraphTall(false, s.Repeat, smallSize, wide) + lineTall(smallSize)
	h += headRoom() + leastRoom
	for _, r := range s.Remarks {
		h += t.paragraphTall(false, r, textSize, wide)
	}
	if s.MoreRemarks != "" {
		h += lineTall(smallSize)
	}
	for _, c := range s.Cautions {
		h += t.paragraphTall(false, c, smallSize, wide)
	}
	return h + 2 + roomToSign
}
