package compliancepg_test

import (
	"context"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// instants are the present and some of these: the recent and the far past, instants at which the three shops have three dates, and days about
// the effective dates of the packs, and of waivers.
func instants(f *feeds) []time.Time {
	out := []time.Time{
		today.Add(2 * time.Hour), today.AddDate(0, 0, 3), today.AddDate(0, 0, 4), today.AddDate(0, 3, 0), // into the third revision
		today.AddDate(0, 0, -1), f.instant(), f.instant(), f.instant(),
		time.Date(2025, 2, 28, 23, 0, 0, 0, time.UTC), time.Date(2025, 3, 1, 10, 30, 0, 0, time.UTC),
	}
	for range min(5, len(f.signed)) { // a moment before a waiver was granted or revoked
		out = append(out, f.signed[f.rng.IntN(len(f.signed))].Add(-time.Microsecond))
	}
	return append(some(f.rng, out, rounds.Of(6)), today)
}

// some are n of a list, in any order; all if there are no more.
func some[T any](rng *rand.Rand, all []T, n int) []T {
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	return all[:min(n, len(all))]
}

// builtFleet is a fleet with some holds that people placed, some waivers and some recalls.
func builtFleet(t *testing.T, units, entries int) (*world, *feeds) {
	f := randomFleet(seed(t), units, entries)
	w := newWorld(t)
	w.publish(house()...)
	w.apply(f)
	for i := range 6 {
		u := f.units[f.rng.IntN(len(f.units))]
		h := due.ManualHold{ID: f.id().String(), Unit: u.ID, Reason: "looked at", Blocks: due.Use(1 + i%3), Placed: f.instant(), Placer: "someone"}
		if _, err := w.store.PlaceHold(t.Context(), org, h, compliance.OwnChange{At: h.Placed, Kind: compliance.HoldPlaced, Actor: "someone"}); err != nil {
			t.Fatal(err)
		}
		if i%2 == 0 {
			at := h.Placed.AddDate(0, 0, f.rng.IntN(90))
			if at.After(today) {
				at = today
			}
			if _, _, err := w.store.LiftHold(t.Context(), org, u.ID, h.ID, "fine", compliance.OwnChange{At: at, Kind: compliance.HoldLifted, Actor: "someone"}); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.waive(f, units)
	w.recall(f, 4)
	return w, f
}

func (f *feeds) ids() []uuid.UUID {
	out := make([]uuid.UUID, len(f.units))
	for i, u := range f.units {
		out[i] = u.ID
	}
	return out
}

// TestStoredEqualsDerived compares the stored rows of every unit with what its entries come to now.
func TestStoredEqualsDerived(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 50, 800)
	settled := 0
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		packs, err := r.Packs(ctx)
		if err != nil {
			return err
		}
		windows := compliance.WindowsOf(packs)
		stored, err := r.Sets(ctx, f.ids(), today)
		if err != nil {
			return err
		}
		derived, err := r.Derive(ctx, f.ids(), time.Time{}, time.Time{})
		if err != nil {
			return err
		}
		for i, s := range stored {
			want := derived[i]
			if !s.Settled {
				t.Errorf("%s is not settled after everything", s.Tag)
				continue
			}
			settled++
			for _, d := range append([]*due.Derived{want.Self}, want.Parts...) {
				d.Stay.From = time.Time{} // the rows keep where it is, not since when
				d.Clocks = slices.DeleteFunc(d.Clocks, func(c due.Clock) bool { return !windows.Keeps(&c) || !d.Retired.IsZero() })
			}
			if diff := cmp.Diff(want.Self, s.Self, compared...); diff != "" {
				t.Errorf("%s: stored differs from derived:\n%s", s.Tag, diff)
			}
			if diff := cmp.Diff(want.Parts, s.Parts, compared...); diff != "" {
				t.Errorf("parts of %s: stored differs from derived:\n%s", s.Tag, diff)
			}
		}
		return nil
	})
	if settled != len(f.units) {
		t.Errorf("%d of %d units compared", settled, len(f.units))
	}
}

var compared = []cmp.Option{
	cmpopts.EquateEmpty(),
	cmp.Comparer(func(a, b civil.Mark) bool { return a == b }),
	cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() }),
	cmp.Comparer(func(a, b *due.Pack) bool { return a.ID == b.ID && a.Revision == b.Revision }),
	cmp.Comparer(func(a, b *due.Rule) bool { return a.ID == b.ID }),
}

// TestFleetAgrees compares the counts in sets with counting every unit's own answer.
func TestFleetAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	seen := compliance.Counts{}
	for _, entries := range []int{900, 90, 40} {
		w, f := builtFleet(t, 60, entries)
		fleetAgrees(t, w, f, &seen)
	}
	if seen.Ready == 0 || seen.Pulled == 0 || seen.OverdueByDate == 0 || seen.DueByUsage == 0 || seen.DueWithin == 0 || seen.Fitted == 0 {
		t.Errorf("the fleets do not have every sort: %+v", seen)
	}
}

func fleetAgrees(t *testing.T, w *world, f *feeds, seen *compliance.Counts) {
	for _, at := range instants(f) {
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			got, shops, err := r.Fleet(ctx, at, time.Time{}, 30)
			if err != nil {
				return err
			}
			if len(shops) != 3 {
				t.Errorf("%d shops", len(shops))
			}
			sets, err := r.Derive(ctx, f.ids(), at, time.Time{})
			if err != nil {
				return err
			}
			want := map[compliance.CountKey]compliance.Counts{}
			for _, s := range sets {
				if c := compliance.Count(s, at, 30); c.Units > 0 {
					k := compliance.CountKey{Shop: s.Self.Stay.Shop, Kind: s.Kind}
					seen.Add(c)
					c.Add(want[k])
					want[k] = c
				}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("at %v: counted one by one (-), in sets (+):\n%s", at, diff)
			}
			return nil
		})
	}
}

// TestDueListAgrees walks due lists page by page and compares them with judging every clock of every unit.
func TestDueListAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 60, 900)
	listed := 0
	for _, at := range instants(f) {
		for _, q := range append(edges(w, f, at), []compliance.DueQuery{
			{Horizon: 30}, {Horizon: 0}, {Horizon: 3650}, {Horizon: 90, Shop: "shop1"}, {Horizon: 90, Kind: "cylinder"}, {Horizon: 60, Kind: "bcd", Shop: "shop2"},
			{ByUsage: true}, {ByUsage: true, Horizon: 60}, {ByUsage: true, Horizon: 60, Shop: "shop0"}, {ByUsage: true, Horizon: 400, Kind: "second-stage"},
			{Shop: "no-such-shop"}, {Horizon: 90, Known: at}, {ByUsage: true, Horizon: 90, Shop: "shop0", Known: f.instant()}, {Horizon: 400, Kind: "bcd", Known: f.instant()},
		}...) {
			q.At = at
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				want, err := bruteDue(ctx, r, f, q)
				if err != nil {
					return err
				}
				var got []string
				q.Limit = 1 + f.rng.IntN(20)
				for more := true; more; {
					var rows []compliance.DueRow
					if rows, more, err = r.Due(ctx, q); err != nil {
						return err
					}
					if len(rows) > q.Limit || more && len(rows) < q.Limit {
						t.Fatalf("a page of %d rows for a limit of %d", len(rows), q.Limit)
					}
					for i := range rows {
						got = append(got, line(&rows[i]))
						q.After = &rows[i].Key
					}
				}
				listed += len(got)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("at %v, %+v: judged one by one (-), listed (+):\n%s", at, q, diff)
				}
				return nil
			})
		}
	}
	if listed < 500 {
		t.Errorf("only %d rows listed", listed)
	}
}

// edges are questions whose horizon ends on, or a day before, the day of some clock: there the shops' dates matter.
func edges(w *world, f *feeds, at time.Time) (out []compliance.DueQuery) {
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := r.Derive(ctx, f.ids(), at, time.Time{})
		for _, s := range sets {
			on := civil.In(at, s.Self.Stay.Zone)
			for i := range s.Self.Clocks {
				c := &s.Self.Clocks[i]
				day, _, soon, _ := compliance.UsageOf(c)
				for less := range 2 {
					if h := int(day-on) - less; soon && h >= 0 && h < 3650 {
						out = append(out, compliance.DueQuery{ByUsage: true, Horizon: h})
					}
					if h := int(c.DueOn.First()-on) - less; !c.DueOn.IsZero() && h >= 0 && h < 20 {
						out = append(out, compliance.DueQuery{Horizon: h})
					}
				}
			}
		}
		return err
	})
	f.rng.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	slices.SortStableFunc(out, func(a, b compliance.DueQuery) int {
		if a.ByUsage == b.ByUsage {
			return 0
		}
		if a.ByUsage {
			return -1
		}
		return 1
	})
	return out[:min(12, len(out))]
}

func bruteDue(ctx context.Context, r *compliancepg.Reader, f *feeds, q compliance.DueQuery) ([]string, error) {
	sets, err := r.Derive(ctx, f.ids(), q.At, q.Known)
	if err != nil {
		return nil, err
	}
	tags, err := r.Tags(ctx, f.ids(), q.Known)
	if err != nil {
		return nil, err
	}
	var rows []compliance.DueRow
	for _, s := range sets {
		d := s.Self
		if condemnedAt(d, q.At) || !compliance.InFleet(d, q.At) || q.Shop != "" && d.Stay.Shop != q.Shop || q.Kind != "" && s.Kind != q.Kind {
			continue
		}
		on := civil.In(q.At, d.Stay.Zone)
		for i := range d.Clocks {
			c := &d.Clocks[i]
			row := compliance.DueRow{Clock: *c, On: on, Tag: s.Tag, Kind: s.Kind, Shop: d.Stay.Shop, HostTag: tags[d.Host]}
			row.Key = compliance.DueKey{Unit: s.Unit, Pack: c.Pack.ID, Rule: c.Rule.ID, Revision: c.Pack.Revision}
			if !c.InForce(on) {
				continue
			}
			if !q.ByUsage {
				if row.Key.On = c.DueOn.First(); c.DueOn.IsZero() || row.Key.On > on.AddDays(q.Horizon) {
					continue
				}
				rows = append(rows, row)
				continue
			}
			// As the API says it: nothing left, inside the lead, or expected to be reached up to the horizon.
			if c.Limit == (due.Amount{}) || c.AnchorDate.IsZero() {
				continue
			}
			undated := *c
			undated.DueOn = civil.Mark{}
			state := undated.State(on)
			switch {
			case state >= due.Due:
				row.Key.On = compliance.UsageSpent
			case !c.ExpectedOn.IsZero():
				row.Key.On = c.ExpectedOn.First()
			default:
				row.Key.On = compliance.UsageUnknown
			}
			if state >= due.DueSoon || row.Key.On <= on.AddDays(q.Horizon) {
				rows = append(rows, row)
			}
		}
	}
	slices.SortFunc(rows, func(a, b compliance.DueRow) int { return a.Key.Compare(b.Key) })
	var out []string
	for i := range rows {
		out = append(out, line(&rows[i]))
	}
	return out, nil
}

func line(r *compliance.DueRow) string {
	c := &r.Clock
	return fmt.Sprintf("%s %s %s/%s@%d due %s expected %s used %+v %s %s on %s host %q state %d blocking %v", r.Key.On, r.Tag, c.Pack.ID, c.Rule.ID, c.Pack.Revision, c.DueOn,
		c.ExpectedOn, c.Used, r.Kind, r.Shop, r.On, r.HostTag, c.State(r.On), c.Blocking(r.On))
}

// TestSetsAgree compares the sets that availability is made from with those derived from the entries.
func TestSetsAgree(t *testing.T) {
	long(t)
	t.Parallel()
	for _, entries := range []int{700, 90, 40} {
		w, f := builtFleet(t, 50, entries)
		setsAgree(t, w, f)
	}
}

func setsAgree(t *testing.T, w *world, f *feeds) {
	for _, at := range instants(f) {
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			got, err := r.Sets(ctx, f.ids(), at)
			if err != nil {
				return err
			}
			want, err := r.Derive(ctx, f.ids(), at, time.Time{})
			if err != nil {
				return err
			}
			for i := range want {
				if r := want[i].Self.Retired; !r.IsZero() && !at.Before(r) {
					continue // no candidate; its clocks are not kept
				}
				if a, b := codes(want[i].Stand(at)), codes(got[i].Stand(at)); !maps.Equal(a, b) {
					t.Errorf("at %v, %s: derived %v, answered %v", at, want[i].Tag, a, b)
				}
			}
			return nil
		})
	}
}

func codes(s due.Standing) map[string]int {
	out := map[string]int{fmt.Sprint(s.MayHandOut, s.MayFill, s.Stay.Shop, s.Host): 1}
	for _, r := range s.Reasons {
		if r.Unit != s.Unit && r.Clock != nil {
			continue // a retired part says so; its clocks are not kept
		}
		out[fmt.Sprint(r.Code, r.Unit, r.Measure)]++
	}
	return out
}

// condemnedAt says, by its own count, whether a unit is condemned.
func condemnedAt(d *due.Derived, at time.Time) bool {
	for _, h := range d.Holds {
		if h.Cause == due.CauseCondemned && !h.Opened.After(at) {
			return true
		}
	}
	return false
}
