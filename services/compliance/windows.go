package compliance

import (
	"slices"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// Windows says which clocks are stored. A clock of a superseded revision is kept while its revision was still in force on
// the day before the pack's newest revision was published; an older one answers only for the past, and the past is
// derived again. So the rows of a unit do not grow with the number of revisions, and which rows there are depends on the
// packs alone, not on the day they were written.
type Windows struct {
	kept map[string]civil.Date // by pack: windows that end by this day are not stored
	from civil.Date            // the stored rows answer from this day on
	cut  bool                  // some window is not stored
}

// WindowsOf returns the windows of an org's packs, given every revision of each.
func WindowsOf(packs []due.Pack) Windows {
	w := Windows{kept: map[string]civil.Date{}}
	for _, p := range packs {
		day := civil.In(p.Published, time.UTC).AddDays(-1)
		if have, ok := w.kept[p.ID]; !ok || day > have {
			w.kept[p.ID] = day
		}
	}
	// A window ends where the next revision's begins.
	byID := map[string][]civil.Date{}
	for _, p := range packs {
		byID[p.ID] = append(byID[p.ID], p.Effective)
	}
	for id, days := range byID {
		slices.Sort(days)
		for _, end := range slices.Compact(days)[1:] {
			if end <= w.kept[id] && (!w.cut || end > w.from) {
				w.from, w.cut = end, true
			}
		}
	}
	return w
}

// Keeps says whether a clock is stored.
func (w Windows) Keeps(c *due.Clock) bool {
	return c.InForceUntil.IsZero() || c.InForceUntil.First() > w.kept[c.Pack.ID]
}

// Covers says whether the stored clocks are all that are in force on a day.
func (w Windows) Covers(on civil.Date) bool { return !w.cut || on >= w.from }
