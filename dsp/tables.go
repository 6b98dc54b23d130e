package dsp

// Tables are what a search for onsets works out of converters: what it has to know of one
// is the same for every recording, and takes a good part of the time of a short one.
// Detectors that are given the same Tables work it out once; they must not run side by
// side, but for those of NewCommonTables. What they find does not depend on it.
type Tables struct {
	lock    Locker // nil: nobody else is there
	most    int    // band limits that are kept
	kernels map[keptKernel]kernel
}

// NewTables are empty tables. They take some 10 MB at most.
func NewTables() *Tables { return &Tables{most: MostTables} }

// Locker is what a mutex is; this package starts no goroutine and has none itself.
type Locker interface {
	Lock()
	Unlock()
}

// NewCommonTables are empty tables for detectors that may run side by side, of which lock
// keeps all but one away for as long as it takes to look something up or to note it. They
// keep so many band limits at most: MostTables are enough for the channels of a recording.
func NewCommonTables(lock Locker, most int) *Tables { return &Tables{lock: lock, most: most} }

// MostTables is how many band limits NewTables keeps; some 16 kB each.
const MostTables = 512

// kernel is a band limit as a table, if it is known.
func (t *Tables) kernel(of keptKernel) (kernel, bool) {
	if t.lock != nil {
		t.lock.Lock()
		defer t.lock.Unlock()
	}
	k, ok := t.kernels[of]
	return k, ok
}

// keep keeps one, which is not changed any more.
func (t *Tables) keep(of keptKernel, k kernel) {
	if t.lock != nil {
		t.lock.Lock()
		defer t.lock.Unlock()
	}
	if t.kernels == nil || len(t.kernels) >= t.most {
		t.kernels = map[keptKernel]kernel{}
	}
	t.kernels[of] = k
}
