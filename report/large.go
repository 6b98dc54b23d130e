package report

import "strings"

// largeRows is how many rows of a terminal Large takes.
const largeRows = 5

// largeLetters are figures and capitals of five rows, for a terminal that is
// read from across a workshop. They are of one sign, so that every terminal
// has them.
var largeLetters = map[rune][largeRows]string{
	'0': {" ### ", "#   #", "#   #", "#   #", " ### "},
	'1': {"  #  ", " ##  ", "  #  ", "  #  ", " ### "},
	'2': {"#### ", "    #", " ### ", "#    ", "#####"},
	'3': {"#### ", "    #", " ### ", "    #", "#### "},
	'4': {"#   #", "#   #", "#####", "    #", "    #"},
	'5': {"#####", "#    ", "#### ", "    #", "#### "},
	'6': {" ### ", "#    ", "#### ", "#   #", " ### "},
	'7': {"#####", "    #", "   # ", "  #  ", "  #  "},
	'8': {" ### ", "#   #", " ### ", "#   #", " ### "},
	'9': {" ### ", "#   #", " ####", "    #", " ### "},
	'-': {"     ", "     ", " ### ", "     ", "     "},
	'.': {"  ", "  ", "  ", "  ", "# "},
	'°': {"## ", "## ", "   ", "   ", "   "},
	' ': {"   ", "   ", "   ", "   ", "   "},
	'A': {" ### ", "#   #", "#####", "#   #", "#   #"},
	'C': {" ####", "#    ", "#    ", "#    ", " ####"},
	'D': {"#### ", "#   #", "#   #", "#   #", "#### "},
	'E': {"#####", "#    ", "###  ", "#    ", "#####"},
	'G': {" ####", "#    ", "#  ##", "#   #", " ####"},
	'I': {"###", " # ", " # ", " # ", "###"},
	'K': {"#   #", "#  # ", "###  ", "#  # ", "#   #"},
	'L': {"#    ", "#    ", "#    ", "#    ", "#####"},
	'N': {"#   #", "##  #", "# # #", "#  ##", "#   #"},
	'O': {" ### ", "#   #", "#   #", "#   #", " ### "},
	'P': {"#### ", "#   #", "#### ", "#    ", "#    "},
	'R': {"#### ", "#   #", "#### ", "#  # ", "#   #"},
	'S': {" ####", "#    ", " ### ", "    #", "#### "},
	'T': {"#####", "  #  ", "  #  ", "  #  ", "  #  "},
	'U': {"#   #", "#   #", "#   #", "#   #", " ### "},
	'V': {"#   #", "#   #", "#   #", " # # ", "  #  "},
}

// large sets s, of the letters there are, in rows of signs; others are left out.
func large(s string) [largeRows]string {
	var out [largeRows]string
	for _, r := range s {
		glyph, ok := largeLetters[r]
		if !ok {
			continue
		}
		for i, row := range glyph {
			out[i] += row + " "
		}
	}
	for i := range out {
		out[i] = strings.TrimRight(out[i], " ")
	}
	return out
}
