package handover

// Captions of the pictures.
const (
	courseCaption  = "Advance against engine speed"
	wheelCaption   = "One revolution, and the part of it that matters"
	scatterCaption = "Scatter of the sparks"
	speedCaption   = "Speed over time"
)

// or is s, or where that is empty what is usual.
func or(s, usual string) string {
	if s == "" {
		return usual
	}
	return s
}

// comparedHead heads what is compared.
func (c *Content) comparedHead() string { return or(c.BeforeHead, "Before and after") }

// comparedIn is where all that is compared stands.
func (c *Content) comparedIn() string { return or(c.ChangesIn, "sparkscope compare") }

// pairWide is what of the width the wheel takes, beside the scatter.
const pairWide = 0.58

// doneWord heads the room beside the findings.
const doneWord = "Done about it, and by whom"

// onBoth are the findings with what is done on the second sheet about what the
// first says.
func onBoth(s *sheets) []Note {
	var out []Note
	for _, n := range s.ToDo {
		out = append(out, Note{n.Lead, "as the first sheet says."})
	}
	return append(out, s.Findings...)
}

// signNames are who signs for what.
func signNames() []string { return []string{"Measured by", "Date", "Signature", "Handed over to"} }
