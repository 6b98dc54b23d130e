package live

import (
	"math"

	"sparkscope/analysis"
	"sparkscope/analysis/circle"
)

// The mean of the last sparks lags behind a plate that is turned by half of the
// sparks in it: at idle a second, and for a spark every second turn two. So where
// the newer of them clearly lie elsewhere than the older ones, the mean begins
// anew with the newer.
const (
	// Fewer than that on either side say nothing.
	leastMoved = 5
	// movedBy is what the means of the two sides must be apart, in standard
	// errors; Student's t with 13 degrees of freedom exceeds 5 in two of ten
	// thousand. A mean begun anew for nothing only scatters more.
	movedBy = 5.0
	// leastMove is less than anyone turns on purpose, degrees.
	leastMove = 0.5
)

// moved is the index from which on the firings lie elsewhere than before it; 0
// where they do not.
func moved(f []analysis.Firing) int {
	n := len(f)
	if n < 2*leastMoved {
		return 0
	}
	// Sums up to each, about the last one, so that nothing wraps.
	sum, square := make([]float64, n+1), make([]float64, n+1)
	for i := range f {
		d := circle.Wrap(float64(f[i].Advance - f[n-1].Advance))
		sum[i+1], square[i+1] = sum[i]+d, square[i]+d*d
	}
	best, at := movedBy, 0
	for k := leastMoved; k+leastMoved <= n; k++ {
		a, b := float64(k), float64(n-k)
		older, newer := sum[k]/a, (sum[n]-sum[k])/b
		left := square[n] - a*older*older - b*newer*newer
		// What scatter there is, and never less than what nobody sees.
		s := math.Max(math.Sqrt(math.Max(left, 0)/(a+b-2)), 0.02)
		if apart := math.Abs(newer - older); apart >= leastMove && apart/(s*math.Sqrt(1/a+1/b)) > best {
			best, at = apart/(s*math.Sqrt(1/a+1/b)), k
		}
	}
	return at
}
