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
	cuts []cut
}

// cut is the end of a window that is not stored, of a revision that has rules for a kind; empty for every kind.
type cut struct {
	kind string
	end  civil.Date
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
		days = slices.Compact(days)
		byID[id] = days
		for _, end := range days[1:] {
			if end <= w.kept[id] && (!w.cut || end > w.from) {
				w.from, w.cut = end, true
			}
		}
	}
	for i := range packs {
		days := byID[packs[i].ID]
		n, _ := slices.BinarySearch(days, packs[i].Effective)
		if n+1 < len(days) && days[n+1] <= w.kept[packs[i].ID] {
			w.cutFor(&packs[i], days[n+1])
		}
	}
	return w
}

// cutFor notes the end of a revision's window for the kinds it has rules for.
func (w *Windows) cutFor(p *due.Pack, end civil.Date) {
	for i := range p.Rules {
		kinds := p.Rules[i].Scope.Kinds
		if len(kinds) == 0 {
			kinds = []string{""}
		}
		for _, k := range kinds {
			if c := (cut{k, end}); !slices.Contains(w.cuts, c) {
				w.cuts = append(w.cuts, c)
			}
		}
	}
}

// Keeps says whether a clock is stored.
func (w Windows) Keeps(c *due.Clock) bool {
	return c.InForceUntil.IsZero() || c.InForceUntil.First() > w.kept[c.Pack.ID]
}

// Covers says whether the stored clocks are all that are in force on a day.
func (w Windows) Covers(on civil.Date) bool { return !w.cut || on >= w.from }

// Cut returns the day from which on the stored clocks of units of some kinds are all that are in force; ok is false if they always are. Unlike
// Covers it depends only on the packs whose publishing derives those units again.
func (w Windows) Cut(kinds ...string) (from civil.Date, ok bool) {
	for _, c := range w.cuts {
		if (c.kind == "" || slices.Contains(kinds, c.kind)) && (!ok || c.end > from) {
			from, ok = c.end, true
		}
	}
	return from, ok
}

// From returns the day from which on the stored clocks are all that are in force; ok is false if they always are.
func (w Windows) From() (on civil.Date, ok bool) { return w.from, w.cut }
