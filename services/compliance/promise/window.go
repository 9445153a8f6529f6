package promise

import "time"

// Window is from Start until just before End.
type Window struct{ Start, End time.Time }

// Overlaps says whether two windows have an instant in common.
func (w Window) Overlaps(o Window) bool { return w.Start.Before(o.End) && o.Start.Before(w.End) }
