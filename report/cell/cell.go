// Package cell keeps a text in a table from being taken for a formula.
package cell

import "strings"

// Text is s as a cell of a CSV table that people open in a spreadsheet: where a
// spreadsheet would take it for a formula, since it begins with =, +, -, @, a
// tabulator or a carriage return, an apostrophe stands before it (common practice).
// A lone dash, the name of standard input, is no formula and stays. Numbers do not
// go through here.
func Text(s string) string {
	if s == "-" || s == "" || !strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return s
	}
	return "'" + s
}
