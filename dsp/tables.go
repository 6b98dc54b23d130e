package dsp

// Tables are what a search for onsets works out of converters: what it has to know of one
// is the same for every recording, and takes a good part of the time of a short one.
// Detectors that are given the same Tables work it out once; they must not run side by
// side. What they find does not depend on it.
type Tables struct {
	kernels map[keptKernel]kernel
}

// NewTables are empty tables. They take some 10 MB at most.
func NewTables() *Tables { return &Tables{} }

// mostKernels is how many band limits are kept as tables; some 16 kB each.
const mostKernels = 512

// kernel is a band limit as a table, if it is known.
func (t *Tables) kernel(of keptKernel) (kernel, bool) {
	k, ok := t.kernels[of]
	return k, ok
}

// keep keeps one, which is not changed any more.
func (t *Tables) keep(of keptKernel, k kernel) {
	if t.kernels == nil || len(t.kernels) >= mostKernels {
		t.kernels = map[keptKernel]kernel{}
	}
	t.kernels[of] = k
}
