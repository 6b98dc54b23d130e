package print

import (
	"fmt"
	"math"
	"strconv"
)

// Figure is one line of what is known of an engine: what it is, and its value
// with the unit. An empty value leaves room to write.
type Figure struct{ What, Value string }

// WorksheetOptions say what is on the worksheet besides its steps.
type WorksheetOptions struct {
	Paper    Paper
	Engine   string   // its name; empty leaves room to write
	Figures  []Figure // in order, at most 20
	Flywheel float64  // diameter of its rim, mm; 0: not known
	Target   *float64 // crank degrees before top dead centre; nil: not known
	File     string   // the engine file, for the commands that are named; may be empty
}

// mostFigures is how many figures there is room for.
const mostFigures = 20

// rowHigh is the height of a row to write in, mm (common practice, no source).
const rowHigh = 7.0

// sheet is where a worksheet's page is being filled.
type sheet struct {
	d           *Document
	g           *page
	x, y, width float64
	file        string // the engine file
}

// Worksheet draws the sheet on which a job is written down, its steps in order.
func Worksheet(o WorksheetOptions) (*Document, error) {
	if err := checkPaper(o.Paper); err != nil {
		return nil, err
	}
	if len(o.Figures) > mostFigures {
		return nil, fmt.Errorf("print: %d figures: want at most %d", len(o.Figures), mostFigures)
	}
	if o.Flywheel != 0 {
		if err := between("a flywheel of", o.Flywheel, smallestRim, largestRim, " mm"); err != nil {
			return nil, err
		}
	}
	if o.Target != nil {
		if err := between("a target of", *o.Target, -180, 180, "°"); err != nil {
			return nil, err
		}
	}
	d, err := newDocument("Timing worksheet")
	if err != nil {
		return nil, err
	}
	s := d.worksheetPage(o, 1)
	s.fields(field{"Date", 30}, field{"Place", 60}, field{"By", 0})
	s.figures(o.Figures)
	s.say("Caution", handWords+" Stand out of the plane of flywheel and magnet while the engine runs. "+
		"An engine timed too early is damaged: small steps, and measure after each. "+deferWords)
	s.y += 1
	s.before(o)
	s = d.worksheetPage(o, 2)
	s.after()
	return d, nil
}

// worksheetPage begins a page with its head and rulers.
func (d *Document) worksheetPage(o WorksheetOptions, n int) *sheet {
	const pages = 2
	g := d.add(o.Paper, false)
	x := d.rulers(g)
	s := &sheet{d: d, g: g, x: x, y: margin + 4, width: g.w - margin - x, file: o.File}
	d.text(g, x, s.y, "Timing worksheet", style{size: 4.6, bold: true})
	d.text(g, g.w-margin, s.y, fmt.Sprintf("page %d of %d", n, pages), style{size: 2.6, anchor: end})
	s.y += 7
	if o.Engine != "" {
		d.fitted(g, x, s.y, s.width, o.Engine, style{size: 3.4, bold: true})
		s.y += 3
	} else {
		s.y += 1
		s.fields(field{"Engine", 0})
	}
	f := &foot{d: d, g: g, x: x + rulerInches*inch + footGap}
	f.width = g.w - margin - f.x
	f.check("")
	return s
}

// field is a word with a line to write on, of a width in mm; 0: the rest.
type field struct {
	what  string
	width float64
}

// fields sets one row of them.
func (s *sheet) fields(fields ...field) {
	const size, gap = 2.6, 4.0
	s.y += rowHigh - 1.2
	x := s.x
	for _, f := range fields {
		if f.what != "" {
			s.d.text(s.g, x, s.y, f.what, style{size: size})
			x += s.d.room(false, f.what, size) + 1.5
		}
		w := f.width
		if w == 0 {
			w = s.x + s.width - x
		}
		s.g.line(x, s.y+0.6, x+w, s.y+0.6, hair, grey)
		x += w + gap
	}
	s.y += 2.4
}

// tick is a row of boxes to tick.
func (s *sheet) tick(x float64, words ...string) {
	const size = 2.6
	for _, w := range words {
		s.g.box(x, s.y-2.3, 2.6, 2.6, thin, black)
		s.d.text(s.g, x+4, s.y, w, style{size: size})
		x += 4 + s.d.room(false, w, size) + 5
	}
}

// figures sets what is known in two columns, down the left one first.
func (s *sheet) figures(list []Figure) {
	if len(list) == 0 {
		return
	}
	const size, high, gap = 2.7, 5.4, 6.0
	rows := (len(list) + 1) / 2
	col := (s.width - gap) / 2
	s.y += 2
	for i, f := range list {
		x := s.x + float64(i/rows)*(col+gap)
		y := s.y + float64(i%rows+1)*high
		w := math.Min(s.d.room(false, f.What, size), 0.62*col)
		s.d.fitted(s.g, x, y-1.5, 0.62*col, f.What, style{size: size})
		if f.Value != "" {
			s.d.fitted(s.g, x+col, y-1.5, col-w-3, f.Value, style{size: size, bold: true, anchor: end})
		}
		s.g.line(x, y, x+col, y, hair, grey)
	}
	s.y += float64(rows)*high + 5
}

// say sets a bold word and a paragraph behind it.
func (s *sheet) say(head, words string) {
	const size = 2.6
	w := s.d.room(true, head, size) + 2
	s.d.text(s.g, s.x, s.y, head, style{size: size, bold: true})
	// The first line begins behind the heading, the others under it.
	s.y = s.d.paragraph(s.g, s.x+w, s.y, s.width-w, words, style{size: size})
}

// step begins a step of the job.
func (s *sheet) step(n int, head, words string) {
	s.y += 6
	s.g.circle(s.x+2.4, s.y-1.15, 2.4, solid, black)
	s.d.centred(s.g, s.x+2.4, s.y-1.15, strconv.Itoa(n), style{size: 3, bold: true})
	s.d.text(s.g, s.x+7, s.y, head, style{size: 3.4, bold: true})
	s.y = s.d.paragraph(s.g, s.x+7, s.y+4.2, s.width-7, words, style{size: 2.6}) - 1.2
}

// command is what works a step out: a line of its own under the step's words.
// Dots stand for what was read.
func (s *sheet) command(words string, takesFile bool) {
	if takesFile && s.file != "" {
		words += " --engine " + s.file
	}
	s.d.fitted(s.g, s.x+7, s.y+1.3, s.width-7, words, style{size: 2.4, ink: grey})
	s.y += 3.3
}

// orFile is a command with a flag that stands for what the engine file would say.
func (s *sheet) orFile(words, flag string) string {
	if s.file != "" {
		return words
	}
	return words + " " + flag
}

// column is one of a table, of a share of its width.
type column struct {
	head  string
	share float64
}

// table sets columns with rows to write in. Rows that have a name begin with it.
func (s *sheet) table(rows []string, columns ...column) {
	const size = 2.4
	x0, width := s.x+7, s.width-7
	total := 0.0
	for _, c := range columns {
		total += c.share
	}
	high := 4.6
	top := s.y
	bottom := top + high + float64(len(rows))*rowHigh
	x := x0
	for i, c := range columns {
		w := width * c.share / total
		s.d.fitted(s.g, x+1, top+3.2, w-2, c.head, style{size: size})
		if i > 0 {
			s.g.line(x, top, x, bottom, hair, grey)
		}
		x += w
	}
	s.g.box(x0, top, width, bottom-top, thin, black)
	for i, r := range rows {
		y := top + high + float64(i)*rowHigh
		s.g.line(x0, y, x0+width, y, hair, grey)
		if r != "" {
			s.d.fitted(s.g, x0+1, y+rowHigh/2+halfCapital*size, width*columns[0].share/total-2, r, style{size: size})
		}
	}
	s.y = bottom + 1.2
}

// readings is a table of one row and five columns with an outcome.
func (s *sheet) readings(what string) {
	s.table([]string{what},
		column{"reading", 1.6}, column{"1", 1}, column{"2", 1}, column{"3", 1}, column{"4", 1}, column{"5", 1}, column{"mean", 1.1}, column{"± half the spread", 1.3})
}

// indented is a row of fields under a step.
func (s *sheet) indented(f ...field) {
	s.x += 7
	s.width -= 7
	s.fields(f...)
	s.x -= 7
	s.width += 7
}

// before are the steps before the engine runs but the static timing.
func (s *sheet) before(o WorksheetOptions) {
	s.step(1, "Find top dead centre",
		"Piston stop in the plug hole. Turn gently to the stop one way, then the other way, and read the wheel or the tape each time. Write b behind a reading before the zero mark, a behind one after it. Top dead centre is half-way between. Take the stop out.")
	s.command("sparkscope bench tdc --wheel 0-180-0 --readings …", true)
	s.table([]string{"1", "2", "3"}, column{"", 0.35}, column{"stop reached turning forward, °", 1}, column{"stop reached turning back, °", 1}, column{"half-way, °", 1})
	s.indented(field{"Wheel or pointer shifted by, °", 20}, field{"read again, half-way, °", 20}, field{"± half the spread, °", 0})
	s.step(2, "Marks and reference angle", s.marks(o))
	s.command(s.orFile("sparkscope bench rim --angle …", "--diameter …"), true)
	s.command("sparkscope calibrate wheel --readings …", true)
	s.readings("reed closes at, °")
	s.step(3, "Contact gap",
		"Contacts wide open, clean gauge. Tightening the lock screw moves the gap: measure it again, locked. A pair of gap and timing at two or more gaps shows what the gap does on this engine.")
	s.command(s.orFile("sparkscope bench gap --pairs …", "--target …"), true)
	s.table([]string{"gap, mm", "contacts open at, °"}, column{"", 1.4}, column{"1", 1}, column{"2", 1}, column{"3", 1}, column{"4", 1})
	s.indented(field{"Gap chosen, mm", 24}, field{"measured locked, mm", 0})
}

// marks is the text of step 2, with the distance along the rim worked out
// where the figures are known.
func (s *sheet) marks(o WorksheetOptions) string {
	words := "Mark top dead centre and the target on the rim, opposite a fixed point. "
	if o.Flywheel != 0 {
		words += fmt.Sprintf("1° on a rim of %g mm is π · %g mm/360 = %.3f mm", o.Flywheel, o.Flywheel, math.Pi*o.Flywheel/360)
		if o.Target != nil {
			side := "before"
			if *o.Target < 0 {
				side = "after"
			}
			words += fmt.Sprintf(": %g° %s top dead centre is %.2f mm", math.Abs(*o.Target), side, math.Pi*o.Flywheel/360*math.Abs(*o.Target))
		}
		words += ". "
	} else {
		words += "1° on the rim is π · diameter/360. "
	}
	return words + "Then turn in the running direction until the reed closes (lamp or ohmmeter) and read the wheel, five times: before top dead centre is positive, after it negative."
}

// after are the steps from the static timing on.
func (s *sheet) after() {
	s.step(4, "Static timing",
		"Ignition off, coil disconnected; lamp, ohmmeter or contact tone across the contacts. Turn in the running direction until they open; read the wheel; five times.")
	s.command("sparkscope contacts …", false)
	s.readings("contacts open at, °")
	s.step(5, "Running",
		"Wheel, tape, stop and card off. Record idle, slowly to the top, and back. Check the recording before you take anything off; stop the engine before you touch clamp, leads or magnet. Then measure.")
	s.command("sparkscope check …", true)
	s.command("sparkscope measure … --plot advance.png", true)
	runs := []column{{"recording", 1.7}, {"from rpm", 0.8}, {"to rpm", 0.8}, {"advance, ° before TDC", 1.2}, {"±, °", 0.6}, {"scatter, °", 0.7}}
	s.table([]string{"", "", "", ""}, runs...)
	s.step(6, "Adjust and lock", "Engine stopped. One thing at a time, a little. After locking, measure gap and static timing again.")
	s.table([]string{"", "", ""}, column{"what was moved", 1.6}, column{"which way", 1}, column{"how far", 0.8}, column{"gap locked, mm", 0.8}, column{"static locked, °", 0.8})
	s.step(7, "Measured again, and judged", "As in step 5, with the timing locked. Then compare with the recording before.")
	s.command("sparkscope compare … …", true)
	s.table([]string{"", ""}, runs...)
	s.y += rowHigh - 2
	const against = "Against target and tolerance:"
	s.d.text(s.g, s.x+7, s.y, against, style{size: 2.6, bold: true})
	s.tick(s.x+7+s.d.room(true, against, 2.6)+4, "within", "outside", "undecided")
	s.y += 1
	s.indented(field{"Name", 50}, field{"Date", 26}, field{"Signature", 0})
	s.y += 1
	s.d.text(s.g, s.x, s.y+2.2, "Notes", style{size: 2.6, bold: true})
	for y := s.y + 2.2 + rowHigh; y < s.g.h-margin-2*rulerHigh-5; y += rowHigh {
		s.g.line(s.x, y, s.x+s.width, y, hair, grey)
	}
}
