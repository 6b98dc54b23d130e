package logbook

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"
)

// filled is a logbook of so many results of twenty engines.
func filled(b *testing.B, results int) *Logbook {
	l := begun(b)
	var all []Measurement
	for i := range results {
		doc := sample{fmt.Sprintf("pull-%d.wav", i), fmt.Sprintf("%064d", i), 15 + float64(i%97)/50, 18}.document(b)
		all = append(all, Measurement{Document: doc, Engine: fmt.Sprintf("engine %d", i%20), Recorded: DateOf(noon.Add(time.Duration(i) * time.Hour)), From: Given, Added: noon})
		if len(all) == 100 || i == results-1 {
			if _, err := l.AddAll(b.Context(), all); err != nil {
				b.Fatal(err)
			}
			all = all[:0]
		}
	}
	return l
}

// BenchmarkTenThousand prints what lists and a backup take of a logbook of ten
// thousand results.
func BenchmarkTenThousand(b *testing.B) {
	l := filled(b, 10000)
	for name, q := range map[string]Query{
		"all": {}, "last 40": {Last: 40}, "engine": {Engine: "engine 7"}, "engine last 40": {Engine: "engine 7", Last: 40},
		"words": {Words: []string{"pull-99"}}, "words in findings": {Words: []string{"turn the plate"}}, "finding": {Finding: "timing-offset"},
		"day": {From: DateOf(noon), To: DateOf(noon)}, "verdict": {Decision: "outside"},
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				if _, err := l.Find(b.Context(), q); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("engines", func(b *testing.B) {
		for b.Loop() {
			if _, err := l.Engines(b.Context()); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("backup", func(b *testing.B) {
		dir, n := b.TempDir(), 0
		for b.Loop() {
			n++
			if _, err := l.db.Exec("VACUUM INTO ?", filepath.Join(dir, fmt.Sprint(n))); err != nil {
				b.Fatal(err)
			}
		}
	})
}
