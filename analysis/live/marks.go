package live

// Marks are the readings that the user kept to compare: before the plate was
// turned, and after. The zero value holds none.
type Marks struct {
	Before, After *Reading // nil: not marked
}

// Set marks a reading: the first is before, every further one after, in the place
// of the one that was. One without an angle marks nothing.
func (m *Marks) Set(r Reading) {
	switch {
	case !r.HasAngle:
	case m.Before == nil:
		m.Before = &r
	default:
		m.After = &r
	}
}
