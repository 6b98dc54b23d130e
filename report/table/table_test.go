package table

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"
	"pgregory.net/rapid"

	"sparkscope/analysis"
	"sparkscope/analysis/compare"
	"sparkscope/analysis/session"
	"sparkscope/report/cell"
)

// numbers draws a finite number or none.
func numbers(rt *rapid.T, name string) *float64 {
	if rapid.Bool().Draw(rt, name+" unknown") {
		return nil
	}
	v := rapid.Float64().Draw(rt, name)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	return &v
}

// TestRoundTrip: rows come back as they went, from all three formats: Parquet by
// the library's own reader, CSV and JSON by the standard library's.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rows := make([]Firing, rapid.IntRange(0, 40).Draw(rt, "rows"))
		for i := range rows {
			rows[i] = Firing{
				Schema: FiringSchema, Recording: rapid.String().Draw(rt, "recording"), Relative: rapid.Bool().Draw(rt, "relative"),
				Time: rapid.Float64Range(0, 1e6).Draw(rt, "time"), Revolution: int64(rapid.IntRange(0, 1<<40).Draw(rt, "revolution")),
				Cylinder: int32(rapid.IntRange(0, 12).Draw(rt, "cylinder")), Speed: numbers(rt, "speed"), Advance: numbers(rt, "advance"), Sigma: numbers(rt, "sigma"),
				Status: rapid.SampledFrom([]string{"ok", "repeated", `a "quoted", one`}).Draw(rt, "status"), Counted: rapid.Bool().Draw(rt, "counted"),
			}
			// A CSV's reader makes one of both ends of a line.
			rows[i].Recording = strings.ReplaceAll(rows[i].Recording, "\r", "")
			if rapid.Bool().Draw(rt, "in a part") {
				rows[i].Part, rows[i].PartKind, rows[i].PartNumber = count[int32](i+1), named("pull up"), count[int32](i)
			}
		}
		write := func(f Format) []byte {
			var b bytes.Buffer
			if err := Write(&b, f, rows); err != nil {
				rt.Fatal(err)
			}
			return b.Bytes()
		}
		same := func(what string, got []Firing) {
			if len(got) != len(rows) || len(rows) > 0 && !reflect.DeepEqual(got, rows) {
				rt.Fatalf("%s: %s", what, cmp.Diff(rows, got))
			}
		}
		p := write(Parquet)
		got, err := parquet.Read[Firing](bytes.NewReader(p), int64(len(p)))
		if err != nil {
			rt.Fatal(err)
		}
		same("Parquet", got)
		got = nil
		if err := json.Unmarshal(write(JSON), &got); err != nil {
			rt.Fatal(err)
		}
		same("JSON", got)
		lines, err := csv.NewReader(bytes.NewReader(write(CSV))).ReadAll()
		if err != nil {
			rt.Fatal(err)
		}
		if len(lines) != len(rows)+1 || !reflect.DeepEqual(lines[0], Columns[Firing]()) {
			rt.Fatalf("CSV: %d lines, head %q", len(lines), lines[0])
		}
		for i, l := range lines[1:] {
			if l[1] != cell.Text(rows[i].Recording) || l[13] != rows[i].Status {
				rt.Fatalf("CSV: line %q, want %+v", l, rows[i])
			}
			if v := rows[i].Advance; v == nil && l[11] != "" || v != nil && l[11] != strconv.FormatFloat(*v, 'g', -1, 64) {
				rt.Fatalf("CSV: advance %q", l[11])
			}
		}
		if !bytes.Equal(p, write(Parquet)) {
			rt.Fatal("the same rows gave other bytes")
		}
	})
}

// TestRefuses: no number that is none gets into a table.
func TestRefuses(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1)} {
		for _, f := range []Format{CSV, JSON, Parquet} {
			var b bytes.Buffer
			err := Write(&b, f, []Bin{{From: 1000}, {From: 2000, Mean: &v}})
			if err == nil || !strings.Contains(err.Error(), "row 2: mean_advance_deg") || b.Len() > 0 {
				t.Errorf("%v in format %d: %v, %d bytes", v, f, err, b.Len())
			}
		}
	}
	if err := Write(&bytes.Buffer{}, Format(9), []Bin{}); err == nil {
		t.Error("a format that is none")
	}
	for name, want := range map[string]bool{"a.csv": true, "b.PARQUET": true, "c.json": true, "d.xlsx": false, ".csv": false, "": false} {
		if _, err := FormatOf(name); (err == nil) != want {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// TestRows: what a result becomes.
func TestRows(t *testing.T) {
	r := &analysis.Result{Recording: analysis.Recording{Path: "a.wav", DurationS: 3}}
	for i := range 10 {
		r.Firings = append(r.Firings, analysis.Firing{TimeS: float64(i), RPM: 1300, Advance: 18, HasAngle: true, Status: analysis.OK})
	}
	r.Firings[4] = analysis.Firing{TimeS: 4, Status: analysis.NoReference}
	part := func(k session.Kind, first, next int) session.Measured {
		return session.Measured{Part: session.Part{Kind: k, Number: 1, First: first, Next: next}}
	}
	s := &session.Session{Result: r, Parts: []session.Measured{part(session.Idle, 0, 3), part(session.Up, 5, 10)}}
	s.Parts[1].Side = &compare.Side{Points: []compare.Point{{RPM: 1300, FromRPM: 1000, ToRPM: 1500, N: 5, Mean: 18}}}
	got := ""
	for _, f := range Firings(r, s) {
		p := "-"
		if f.Part != nil {
			p = fmt.Sprint(*f.Part, *f.PartKind)
		}
		got += p + " "
	}
	if want := "1idle 1idle 1idle - - 2pull up 2pull up 2pull up 2pull up 2pull up "; got != want {
		t.Errorf("parts %q, want %q", got, want)
	}
	if f := Firings(r, nil)[4]; f.Advance != nil || f.Speed != nil || f.Counted || f.Status != "no-reference" {
		t.Errorf("a spark without an angle: %+v", f)
	}
	if b := Bins(r, s); len(b) != 1 || *b[0].PartKind != "pull up" || b[0].N != 5 {
		t.Errorf("bins %+v", b)
	}
	if w := Whole(r); w.State != Measured || w.Mean != nil || *w.Duration != 3 {
		t.Errorf("the whole: %+v", w)
	}
}

// TestColumnsAreListed: report/README.md has a row for every column of every
// table, units are in the names, and the tags of both formats agree.
func TestColumnsAreListed(t *testing.T) {
	b, err := os.ReadFile("../README.md")
	if err != nil {
		t.Fatal(err)
	}
	readme := string(b)
	for schema, columns := range map[string][]string{FiringSchema: Columns[Firing](), BinSchema: Columns[Bin](), RecordingSchema: Columns[Recording]()} {
		_, section, ok := strings.Cut(readme, "### `"+schema+"`")
		if !ok {
			t.Errorf("report/README.md has no section `%s`", schema)
			continue
		}
		section, _, _ = strings.Cut(section, "\n##")
		for _, c := range columns {
			if !strings.Contains(section, "| `"+c+"` |") {
				t.Errorf("report/README.md, %s: no row | `%s` |", schema, c)
			}
		}
	}
	for _, typ := range []reflect.Type{reflect.TypeFor[Firing](), reflect.TypeFor[Bin](), reflect.TypeFor[Recording]()} {
		for i := range typ.NumField() {
			f := typ.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("parquet"), ",")
			if name != f.Tag.Get("json") {
				t.Errorf("%s.%s: %q in Parquet, %q in JSON", typ.Name(), f.Name, name, f.Tag.Get("json"))
			}
			if optional := strings.Contains(f.Tag.Get("parquet"), "optional"); optional != (f.Type.Kind() == reflect.Pointer) {
				t.Errorf("%s.%s: a pointer is what may be unknown", typ.Name(), f.Name)
			}
			kind := f.Type
			if kind.Kind() == reflect.Pointer {
				kind = kind.Elem()
			}
			if kind.Kind() == reflect.Float64 {
				unit := name[strings.LastIndexByte(name, '_')+1:]
				if !map[string]bool{"s": true, "rpm": true, "deg": true, "hz": true, "1000rpm": true}[unit] {
					t.Errorf("%s has no unit in its name", name)
				}
			}
		}
	}
}
