// Package table writes results as plain rows, for whatever reads tables: CSV,
// JSON and Parquet with the same columns, the unit in each column's name.
//
// There are three tables: one row for each firing, one for each range of speed,
// one for each recording. A row's first column names its layout and the layout's
// version; a column never changes its meaning within a version. A value that is
// not known is null, and empty in CSV. report/README.md lists every column.
package table

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"reflect"
	"strconv"
	"strings"

	"github.com/parquet-go/parquet-go"

	"sparkscope/report/cell"
)

// Format is a way to keep a table.
type Format int

// The formats.
const (
	CSV     Format = iota // RFC 4180, UTF-8, a head line
	JSON                  // one array of objects
	Parquet               // Apache Parquet, compressed with Snappy
)

// FormatOf says which format a file's name asks for by its ending, in either case:
// .csv, .json or .parquet.
func FormatOf(name string) (Format, error) {
	for ending, f := range map[string]Format{".csv": CSV, ".json": JSON, ".parquet": Parquet} {
		if len(name) > len(ending) && strings.EqualFold(name[len(name)-len(ending):], ending) {
			return f, nil
		}
	}
	return 0, fmt.Errorf("table: name %q: want an ending .csv, .json or .parquet", name)
}

// The layouts.
const (
	FiringSchema    = "sparkscope.firing/1"
	BinSchema       = "sparkscope.bin/1"
	RecordingSchema = "sparkscope.recording/1"
)

// Firing is a spark found, counted or not: a row of FiringSchema.
type Firing struct {
	Schema      string   `parquet:"schema,dict" json:"schema"`
	Recording   string   `parquet:"recording,dict" json:"recording"`
	Fingerprint *string  `parquet:"fingerprint,dict,optional" json:"fingerprint"`
	Relative    bool     `parquet:"relative_to_reference" json:"relative_to_reference"`
	Part        *int32   `parquet:"part,optional" json:"part"`
	PartKind    *string  `parquet:"part_kind,dict,optional" json:"part_kind"`
	PartNumber  *int32   `parquet:"part_number,optional" json:"part_number"`
	Time        float64  `parquet:"time_s" json:"time_s"`
	Revolution  int64    `parquet:"revolution,delta" json:"revolution"`
	Cylinder    int32    `parquet:"cylinder" json:"cylinder"`
	Speed       *float64 `parquet:"speed_rpm,optional" json:"speed_rpm"`
	Advance     *float64 `parquet:"advance_deg,optional" json:"advance_deg"`
	Sigma       *float64 `parquet:"timing_standard_uncertainty_deg,optional" json:"timing_standard_uncertainty_deg"`
	Status      string   `parquet:"status,dict" json:"status"`
	Counted     bool     `parquet:"counted" json:"counted"`
	Key         *string  `parquet:"key,dict,optional" json:"key"`
}

// Bin is a range of speed, of a whole recording or of a part of a session: a row of
// BinSchema.
type Bin struct {
	Schema      string   `parquet:"schema,dict" json:"schema"`
	Recording   string   `parquet:"recording,dict" json:"recording"`
	Fingerprint *string  `parquet:"fingerprint,dict,optional" json:"fingerprint"`
	Relative    bool     `parquet:"relative_to_reference" json:"relative_to_reference"`
	Part        *int32   `parquet:"part,optional" json:"part"`
	PartKind    *string  `parquet:"part_kind,dict,optional" json:"part_kind"`
	PartNumber  *int32   `parquet:"part_number,optional" json:"part_number"`
	From        float64  `parquet:"from_rpm" json:"from_rpm"`
	To          float64  `parquet:"to_rpm" json:"to_rpm"`
	Speed       *float64 `parquet:"mean_speed_rpm,optional" json:"mean_speed_rpm"`
	N           int64    `parquet:"firings" json:"firings"`
	Mean        *float64 `parquet:"mean_advance_deg,optional" json:"mean_advance_deg"`
	Expanded    *float64 `parquet:"expanded_uncertainty_deg,optional" json:"expanded_uncertainty_deg"`
	Median      *float64 `parquet:"median_advance_deg,optional" json:"median_advance_deg"`
	StdDev      *float64 `parquet:"stddev_deg,optional" json:"stddev_deg"`
	Target      *float64 `parquet:"target_deg,optional" json:"target_deg"`
	Decision    *string  `parquet:"decision,dict,optional" json:"decision"`
	Key         *string  `parquet:"key,dict,optional" json:"key"`
}

// Recording is a recording as a whole: a row of RecordingSchema.
type Recording struct {
	Schema      string   `parquet:"schema,dict" json:"schema"`
	Recording   string   `parquet:"recording" json:"recording"`
	Fingerprint *string  `parquet:"fingerprint,optional" json:"fingerprint"`
	State       string   `parquet:"state,dict" json:"state"`
	Message     *string  `parquet:"message,optional" json:"message"`
	Duration    *float64 `parquet:"duration_s,optional" json:"duration_s"`
	Rate        *float64 `parquet:"sample_rate_hz,optional" json:"sample_rate_hz"`
	Channels    *int32   `parquet:"channels,optional" json:"channels"`
	Bits        *int32   `parquet:"bits,optional" json:"bits"`
	EngineFile  *string  `parquet:"engine_file,dict,optional" json:"engine_file"`
	Relative    *bool    `parquet:"relative_to_reference,optional" json:"relative_to_reference"`
	Reference   *float64 `parquet:"reference_angle_deg,optional" json:"reference_angle_deg"`
	Revolutions *int64   `parquet:"revolutions,optional" json:"revolutions"`
	Sparks      *int64   `parquet:"sparks,optional" json:"sparks"`
	Counted     *int64   `parquet:"counted,optional" json:"counted"`
	Missed      *int64   `parquet:"missed_sparks,optional" json:"missed_sparks"`
	MinSpeed    *float64 `parquet:"min_speed_rpm,optional" json:"min_speed_rpm"`
	MaxSpeed    *float64 `parquet:"max_speed_rpm,optional" json:"max_speed_rpm"`
	MeanSpeed   *float64 `parquet:"mean_speed_rpm,optional" json:"mean_speed_rpm"`
	Mean        *float64 `parquet:"mean_advance_deg,optional" json:"mean_advance_deg"`
	Expanded    *float64 `parquet:"expanded_uncertainty_deg,optional" json:"expanded_uncertainty_deg"`
	Median      *float64 `parquet:"median_advance_deg,optional" json:"median_advance_deg"`
	StdDev      *float64 `parquet:"stddev_deg,optional" json:"stddev_deg"`
	Slope       *float64 `parquet:"slope_deg_per_1000rpm,optional" json:"slope_deg_per_1000rpm"`
	Target      *float64 `parquet:"target_deg,optional" json:"target_deg"`
	Tolerance   *float64 `parquet:"tolerance_deg,optional" json:"tolerance_deg"`
	Deviation   *float64 `parquet:"deviation_deg,optional" json:"deviation_deg"`
	Decision    *string  `parquet:"decision,dict,optional" json:"decision"`
	Serious     *int32   `parquet:"serious_findings,optional" json:"serious_findings"`
	Warnings    *int32   `parquet:"warnings,optional" json:"warnings"`
	Codes       *string  `parquet:"finding_codes,optional" json:"finding_codes"`
	Key         *string  `parquet:"key,optional" json:"key"`
}

// Row is a row of one of the tables.
type Row interface{ Firing | Bin | Recording }

// Columns are the names of a table's columns, in order.
func Columns[T Row]() []string {
	t := reflect.TypeFor[T]()
	var out []string
	for i := range t.NumField() {
		out = append(out, t.Field(i).Tag.Get("json"))
	}
	return out
}

// Write writes a table. The same rows give the same bytes. It fails on numbers
// that are not finite and on write errors.
func Write[T Row](w io.Writer, f Format, rows []T) error {
	for i := range rows {
		if err := finite(&rows[i]); err != nil {
			return fmt.Errorf("table: row %d: %w", i+1, err)
		}
	}
	switch f {
	case CSV:
		return writeCSV(w, rows)
	case JSON:
		return writeJSON(w, rows)
	case Parquet:
		return writeParquet(w, rows)
	}
	return fmt.Errorf("table: format %d: want CSV, JSON or Parquet", f)
}

// finite refuses what no table can hold.
func finite[T Row](row *T) error {
	v := reflect.ValueOf(row).Elem()
	for i := range v.NumField() {
		x := v.Field(i)
		if x.Kind() == reflect.Pointer && !x.IsNil() {
			x = x.Elem()
		}
		if x.Kind() == reflect.Float64 {
			if f := x.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
				return fmt.Errorf("%s is not finite", v.Type().Field(i).Tag.Get("json"))
			}
		}
	}
	return nil
}

func writeCSV[T Row](w io.Writer, rows []T) error {
	c := csv.NewWriter(w)
	line := Columns[T]()
	if err := c.Write(line); err != nil {
		return err
	}
	for i := range rows {
		v := reflect.ValueOf(&rows[i]).Elem()
		for k := range line {
			line[k] = written(v.Field(k))
		}
		if err := c.Write(line); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}

// written writes a value: a number so that it reads back as the same, a text so that
// no spreadsheet takes it for a formula.
func written(v reflect.Value) string {
	if v.Kind() == reflect.Pointer {
		if v.IsNil() {
			return ""
		}
		v = v.Elem()
	}
	switch v.Kind() {
	case reflect.Float64:
		return strconv.FormatFloat(v.Float(), 'g', -1, 64)
	case reflect.Bool:
		return strconv.FormatBool(v.Bool())
	case reflect.String:
		return cell.Text(v.String())
	}
	return strconv.FormatInt(v.Int(), 10)
}

func writeJSON[T Row](w io.Writer, rows []T) error {
	b := bufio.NewWriter(w)
	e := json.NewEncoder(b)
	e.SetEscapeHTML(false)
	between := "[\n"
	for i := range rows {
		b.WriteString(between)
		if err := e.Encode(&rows[i]); err != nil {
			return err
		}
		between = ","
	}
	if len(rows) == 0 {
		b.WriteString("[")
	}
	b.WriteString("]\n")
	return b.Flush()
}

// rowsAtOnce is how many rows of a Parquet file are kept together: some seconds of
// a reader's time, and some megabytes while they are written.
const rowsAtOnce = 1 << 16

func writeParquet[T Row](w io.Writer, rows []T) (err error) {
	p := parquet.NewGenericWriter[T](w, parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(rowsAtOnce), parquet.CreatedBy("sparkscope", "1", ""))
	for len(rows) > 0 {
		n := min(len(rows), rowsAtOnce)
		if _, err := p.Write(rows[:n]); err != nil {
			return errors.Join(err, p.Close())
		}
		rows = rows[n:]
	}
	return p.Close()
}
