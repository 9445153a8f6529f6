package compliancepg_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestKnownListsAreThoseOfThatTime takes due lists while only a part of the ledger has been recorded and only two revisions of the pack
// are published; then the rest arrives, late entries and amendments of what was counted among it. Asked as known at the time, the lists
// are what they were.
func TestKnownListsAreThoseOfThatTime(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 50, 900)
	slices.SortStableFunc(f.history, func(a, b compliance.Change) int { return a.Entry.Recorded.Compare(b.Entry.Recorded) })
	for i := range f.history {
		f.history[i].Number = int64(i + 1)
	}
	known := today.AddDate(0, 0, -2) // before the third revision, which is published the day before today
	whole := f.history
	f.history = f.history[:slices.IndexFunc(whole, func(c compliance.Change) bool { return c.Entry.Recorded.After(known) })]

	w := newWorld(t)
	packs := house()
	w.publishAt(known.AddDate(0, 0, -14), packs[:2]...)
	w.apply(f)
	var queries []compliance.DueQuery
	for _, at := range []time.Time{known, known.AddDate(0, 1, 0), known.AddDate(-1, 0, 0), f.instant()} {
		queries = append(queries, compliance.DueQuery{At: at, Horizon: 60}, compliance.DueQuery{At: at, Horizon: 400, Shop: "shop1"},
			compliance.DueQuery{At: at, ByUsage: true, Horizon: 90}, compliance.DueQuery{At: at, ByUsage: true, Horizon: 30, Kind: "second-stage"})
	}
	moment := known
	lists := func(known time.Time) (out [][]string) {
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			for _, q := range queries {
				q.Known, q.Limit = known, 1000
				rows, _, err := r.Due(ctx, q)
				if err != nil {
					return err
				}
				var lines []string
				for i := range rows {
					lines = append(lines, line(&rows[i]))
				}
				out = append(out, lines)
			}
			// Holds and counts of the same moment.
			for _, at := range []time.Time{moment, moment.AddDate(0, 1, 0)} {
				holds, _, err := r.Holds(ctx, compliance.HoldQuery{At: at, Known: known, Past: true, Lifted: true, Limit: 1000})
				if err != nil {
					return err
				}
				var lines []string
				for i := range holds {
					lines = append(lines, holdLine(&holds[i]))
				}
				counts, _, err := r.Fleet(ctx, at, known, 30)
				if err != nil {
					return err
				}
				out = append(out, lines, []string{fmt.Sprint(counts)})
			}
			return nil
		})
		return out
	}
	var granted []due.Waiver // known then; some are revoked later
	for range 60 {
		at := known.Add(-time.Duration(f.rng.IntN(200*24*60)) * time.Minute)
		granted = append(granted, w.grantAt(f, f.units[f.rng.IntN(len(f.units))].ID, []string{"overhaul", "hours", "fills", "yearly"}[f.rng.IntN(4)], at, 0, f.rng.IntN(366)))
	}
	then := lists(time.Time{})

	w.publishAt(known.AddDate(0, 0, 1), packs[2])
	f.history = whole
	w.apply(f)
	for _, x := range granted[:20] {
		w.revokeAt(x, known.Add(time.Duration(1+f.rng.IntN(48))*time.Hour))
	}
	for range 40 {
		w.grantAt(f, f.units[f.rng.IntN(len(f.units))].ID, "overhaul", known.Add(time.Duration(1+f.rng.IntN(48))*time.Hour), 0, 100)
	}
	differ := 0
	for i, now := range lists(time.Time{}) {
		if !slices.Equal(then[i], now) {
			differ++
		}
	}
	if differ == 0 {
		t.Error("what arrived later changed no list: the test compares nothing")
	}
	for i, got := range lists(known) {
		if diff := cmp.Diff(then[i], got); diff != "" {
			what := "holds and counts"
			if i < len(queries) {
				what = fmt.Sprintf("%+v", queries[i])
			}
			t.Errorf("%s: listed then (-), as known then (+):\n%s", what, diff)
		}
	}
}

// TestPackList compares the list with choosing from all revisions.
func TestPackList(t *testing.T) {
	long(t)
	t.Parallel()
	w := newWorld(t)
	first := house()
	w.publishAt(today.AddDate(0, 0, -30), first[:2]...)
	w.publishAt(today.AddDate(0, 0, -10), first[2])
	again := first[2] // of equal effective dates the higher revision is in force
	again.Cautions = []string{"Another caution."}
	w.publishAt(today.AddDate(0, 0, -5), again)
	other := first[1]
	other.ID = "annex"
	w.publishAt(today.AddDate(0, 0, -20), other)
	all := map[string][]compliance.PackRevision{}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		for id, n := range map[string]int64{"house": 4, "annex": 1} {
			for i := range n {
				rev, err := r.Pack(ctx, id, i+1)
				if err != nil {
					return err
				}
				all[id] = append(all[id], rev)
			}
		}
		return nil
	})
	compared := 0
	for _, known := range []time.Time{{}, today.AddDate(0, 0, -31), today.AddDate(0, 0, -30), today.AddDate(0, 0, -15), today.AddDate(0, 0, -7), today} {
		for _, day := range []int{-1, 0, 1, 1e6} {
			for _, rev := range all["house"] {
				q := compliancepg.PackQuery{Known: known, Limit: 1}
				on := rev.Effective.AddDays(day)
				if day < 1e6 {
					q.InForce = &on
				}
				var want, got []compliance.PackRevision
				for _, id := range []string{"annex", "house"} {
					var best *compliance.PackRevision
					for i := range all[id] {
						r := &all[id][i]
						if !known.IsZero() && r.Published.After(known) || q.InForce != nil && r.Effective > on {
							continue
						}
						if best == nil || q.InForce == nil || r.Effective >= best.Effective {
							best = r
						}
					}
					if best != nil {
						want = append(want, *best)
					}
				}
				w.read(func(ctx context.Context, r *compliancepg.Reader) error {
					for {
						page, err := r.PackList(ctx, q)
						if err != nil || len(page) == 0 {
							return err
						}
						got = append(got, page...)
						q.After = page[0].ID
					}
				})
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("in force on %v, known %v: want (-), got (+):\n%s", q.InForce, known, diff)
				}
				compared += len(got)
			}
		}
	}
	if compared < 20 {
		t.Errorf("only %d revisions listed", compared)
	}
}
