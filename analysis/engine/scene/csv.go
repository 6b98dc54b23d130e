package scene

import (
	"bufio"
	"fmt"
	"io"

	"sparkscope/analysis/engine"
)

// WriteCSV writes the truth table: remarks that begin with #, a header row,
// one row per event in order of its appearance. Missed events are rows too:
// their time_s is where they would have appeared.
func (t *Truth) WriteCSV(w io.Writer) error {
	b := bufio.NewWriter(w)
	fmt.Fprintln(b, "# sparkscope simulate: truth of a synthetic recording")
	for _, line := range t.Spec.Describe() {
		fmt.Fprintln(b, "#", line)
	}
	fmt.Fprintf(b, "# spark channel %d, reference channel %d (0: not in the recording)\n", t.SparkChannel, t.ReferenceChannel)
	fmt.Fprintln(b, "# time_s: where it appears in the recording; true_s: when it truly happened; rpm: averaged over the revolution around it;")
	fmt.Fprintln(b, "# advance_deg: before top dead centre of its own cylinder, for references the angle of that magnet")
	fmt.Fprintln(b, "time_s,revolution,rpm,advance_deg,what,true_s,moment_rpm,cylinder,magnet,level")
	for _, e := range t.Events {
		if e.Kind == Interference {
			fmt.Fprintf(b, "%.9f,,,,%s,%.9f,,,,%.4f\n", e.AppearsS, e.Kind, e.TimeS, e.Amp)
			continue
		}
		cylinder, magnet := "", ""
		if e.Kind == engine.Reference || e.Kind == engine.MissedReference {
			magnet = fmt.Sprint(e.Magnet)
		} else {
			cylinder = fmt.Sprint(e.Cylinder)
		}
		fmt.Fprintf(b, "%.9f,%d,%.4f,%.6f,%s,%.9f,%.4f,%s,%s,%.4f\n",
			e.AppearsS, e.Revolution, e.RPM, e.AdvanceDeg, e.Kind, e.TimeS, e.MomentRPM, cylinder, magnet, e.Amp)
	}
	return b.Flush()
}
