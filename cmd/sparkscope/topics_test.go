package main

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"sparkscope/analysis"
)

// counted words of the text.
var counts = map[int]string{2: "two", 3: "three", 4: "four", 5: "five", 12: "twelve"}

// TestUncertaintyFigures: each figure that help uncertainty names is the code's
// constant, what its budget makes of the example, or what the committed table of the
// coverage study counted, within what a word can say of a share.
func TestUncertaintyFigures(t *testing.T) {
	text := strings.Join(strings.Fields(uncertaintyText), " ")
	says := func(format string, args ...any) {
		t.Helper()
		if s := fmt.Sprintf(format, args...); !strings.Contains(text, s) {
			t.Errorf("help uncertainty does not say %q", s)
		}
	}
	says("at a coverage of %.0f %%. Of a hundred such answers, at most %s should", 100*analysis.Coverage, counts[int(math.Round(100*(1-analysis.Coverage)))])
	says("WITHIN when the mean truly lies within at a probability of %.0f %% or more, OUTSIDE at %.0f %% or less", 100*analysis.WithinAt, 100*analysis.OutsideAt)
	// Its example: the ends are the mean and the ±.
	says("%.1f° before top dead centre (±%.1f°)\": the mean of the sparks that were counted lies between %.1f° and %.1f°", 18.3, 0.6, 18.3-0.6, 18.3+0.6)
	// 360° a turn, rpm/60 turns a second.
	deg := func(rpm, s float64) float64 { return 360 * rpm / 60 * s }
	says("10 µs are %.2f° at 1000 rpm and %.2f° at 6000", deg(1000, 10e-6), deg(6000, 10e-6))
	half := analysis.NewBudget([]analysis.Component{{Std: 1, Distribution: analysis.Normal}, {Std: 0.5, Distribution: analysis.Normal}})
	if share := half.Components[1].Share; fmt.Sprintf("%.3f", share) != "0.200" {
		t.Errorf("a line of half the largest's size makes up %.3f of the two: the text says a fifth", share)
	}
	says("a line of half its size makes up a fifth of the whole")

	b, err := os.ReadFile("../../analysis/study/coverage.txt")
	if err != nil {
		t.Fatal(err)
	}
	_, twice, found := strings.Cut(string(b), "\n"+tableTitle(2)+"\n")
	if !found {
		t.Fatal("coverage.txt has no table of twice the stated variation")
	}
	// The share that misses the truth.
	missed := func(row string) float64 {
		t.Helper()
		m := regexp.MustCompile(`(?m)^  ` + row + ` +\d+ +([\d.]+) %[!? ] `).FindStringSubmatch(twice)
		if m == nil {
			t.Fatalf("coverage.txt has no row %q", row)
		}
		held, _ := strconv.ParseFloat(m[1], 64)
		return 1 - held/100
	}
	// A word is a whole number: it may be off by as much as twelve and eleven differ.
	const word = 0.1
	for _, v := range []struct {
		row string
		one int // of so many
	}{
		{"mean, magnet before spark 40-90°", 4},
		{"mean, magnet before spark 150-210°", 3},
		{"mean, largest source speed variation within the revolution", 2},
		{"mean, magnet before spark 10-20°", 12},
	} {
		if got := missed(v.row); math.Abs(got*float64(v.one)-1) > word {
			t.Errorf("%s: %.3f lie outside the ±, one of %.1f: the text says one of %d", v.row, got, 1/got, v.one)
		}
	}
	says("in one answer of %s; half a turn away in one of %s; where the speed variation is the largest line in nearly one of %s;", counts[4], counts[3], counts[2])
	says("With the magnet right before the spark it is one in %s.", counts[12])
}
