package due_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// TestTallyAddsUp: the uses that a clock lists come to what it says was used, in every measure it limits, in random histories.
func TestTallyAddsUp(t *testing.T) {
	listed := 0
	histories(t, 2000, 0, func(t *testing.T, r *rand.Rand, w *world) {
		unit := r.IntN(len(w.units))
		at, known := question(r, w, unit)
		in := w.input(unit)
		d := due.Derive(in, at, known)
		tally := due.Tallied(in, at, known)
		for i := range d.Clocks {
			c := &d.Clocks[i]
			all, omitted := tally.Against(c, 1<<20)
			var sum due.Amount
			for _, u := range all {
				sum.Dives, sum.Hours, sum.Fills = sum.Dives+u.Amount.Dives, sum.Hours+u.Amount.Hours, sum.Fills+u.Amount.Fills
				if u.At.Before(c.AnchorOccurred) {
					t.Errorf("%s lists a use from before its anchor", c.Rule.ID)
				}
			}
			if omitted != 0 || c.Limit.Dives > 0 && sum.Dives != c.Used.Dives || c.Limit.Hours > 0 && sum.Hours != c.Used.Hours || c.Limit.Fills > 0 && sum.Fills != c.Used.Fills {
				t.Errorf("%s used %+v and lists %d uses of %+v, %d left out", c.Rule.ID, c.Used, len(all), sum, omitted)
			}
			if c.Limit == (due.Amount{}) && len(all) > 0 {
				t.Errorf("%s has no usage limit and lists %d uses", c.Rule.ID, len(all))
			}
			if !slices.IsSortedFunc(all, func(a, b due.Counted) int { return b.At.Compare(a.At) }) {
				t.Errorf("%s does not list the latest first", c.Rule.ID)
			}
			few, omitted := tally.Against(c, 2)
			if n := min(2, len(all)); !slices.Equal(few, all[:n]) || omitted != len(all)-n {
				t.Errorf("%s lists %v of at most 2, and leaves out %d of %d", c.Rule.ID, few, omitted, len(all))
			}
			listed += len(all)
		}
	})
	if listed < 100 {
		t.Errorf("only %d uses were listed in all histories", listed)
	}
}

// TestTallyWeighs: running time is listed as the rule weighs it, and only what counts against a limit is listed.
func TestTallyWeighs(t *testing.T) {
	h := newHistory(t, due.Rule{
		Pack: "pack", ID: "filter", Activity: "filter-change", Authority: due.Maker, Limit: due.Amount{Hours: 50 * time.Hour}, Baselines: []due.Baseline{due.Manufacture},
		Blocks: due.Fill, Weights: []due.Weight{{Celsius: 0, Percent: 100}, {Celsius: 30, Percent: 250}},
	})
	h.add(1, "2026-01-01T10:00:00Z", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: time.Hour}, Celsius: 30, HasCelsius: true})
	h.add(2, "2026-01-02T10:00:00Z", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Fills: 3}})
	h.add(3, "2026-01-03T10:00:00Z", due.Entry{Kind: due.UsageEntry, Amount: due.Amount{Hours: time.Hour}, Celsius: 10, HasCelsius: true, Estimated: true})
	d := h.derive()
	got, omitted := due.Tallied(h.in, time.Time{}, time.Time{}).Against(&d.Clocks[0], 10)
	want := []due.Counted{
		{Entry: entryID(3), Unit: unitID(1), At: h.at("2026-01-03T10:00:00Z"), On: civil.New(2026, 1, 3), Amount: due.Amount{Hours: time.Hour}, Estimated: true},
		{Entry: entryID(1), Unit: unitID(1), At: h.at("2026-01-01T10:00:00Z"), On: civil.New(2026, 1, 1), Amount: due.Amount{Hours: 150 * time.Minute}},
	}
	if !slices.Equal(got, want) || omitted != 0 {
		t.Errorf("listed %+v, left out %d", got, omitted)
	}
	if n, _ := due.Tallied(due.Input{Unit: uuid.New()}, time.Time{}, time.Time{}).Against(&d.Clocks[0], 10); len(n) > 0 {
		t.Errorf("a unit that is not there went through %v", n)
	}
}
