// Package handover sets what goes with an engine on two sheets of paper: as a
// page that prints so, and as PDF.
//
// It gets words, tables and figures, and chooses what of them has room. What
// there is no room for is counted, never cut off in silence.
package handover

import (
	"sparkscope/report/plot"
)

// Pair is a name with its value.
type Pair struct{ Name, Value string }

// Note is a sentence with what leads it: "Warning".
type Note struct{ Lead, Text string }

// Table is a table of short texts.
type Table struct {
	Head []string
	Rows [][]string // each as long as Head
	Text []bool     // of each column: words, which stand to the left and may take several lines
	// Last is how many of the last rows are always kept: sums.
	Last int
	// Keep marks the rows, by their index, that stay when others have to go: those
	// not shown to be within. It may be shorter than Rows.
	Keep []bool
	Note string // what is said below; may be empty
	More string // what is said of rows for which there was no room, with "%d" for their number
}

// Content is everything that may stand on the sheets. Empty texts and nil
// figures are left out.
type Content struct {
	Title    string // of the document: what engine
	Source   string // what it was measured from
	Answer   string // in one line, with its ±
	Verdict  string // in a word or two
	Reason   string // the verdict's figures
	Caveats  []Note // said beside the answer
	ToDoHead string // heads ToDo
	ToDo     []Note // what to do to the engine, the most urgent first; right below the answer
	Setup    []Pair // engine and set-up
	Course   plot.Figure
	Wheel    plot.Figure
	Scatter  plot.Figure
	Speed    plot.Figure
	BySpeed  Table
	Findings []Note // what else was found
	Before   string // before and after in a sentence; empty: nothing to compare with
	Changes  Table  // before and after by speed
	// BeforeHead heads both; empty: "Before and after". A session says there what its
	// parts say of each other. MoreChanges is in what ChangesIn names.
	BeforeHead, ChangesIn string
	// SpeedCaption and ScatterCaption are those of the figures; empty: as usual.
	SpeedCaption, ScatterCaption string
	Budget                       Table
	Together                     string // the budget's sum in a sentence
	Repeat                       string // the command that measures it again
	Program                      string // name and version of the program
	Remarks                      []string
	Cautions                     []string
}

// sheets is what has room.
type sheets struct {
	Content
	title  []string // of one line or two
	height heights
	// What had no room, in words; empty: all had.
	MoreBySpeed, MoreFindings, MoreChanges, MoreBudget, MoreSetup, MoreRemarks, MoreCaveats string
	// Whole is what was shortened or left out, as it was: for the screen.
	Whole []Note
}

// heights are those of the pictures, mm.
type heights struct{ Course, Pair, Speed float64 }
