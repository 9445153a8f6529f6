package compliancepg_test

import (
	"bytes"
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestEntriesReadAsTheyWere stores a random ledger and compares every entry, and every amendment's replacement, with what was stored.
func TestEntriesReadAsTheyWere(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 25, 1200)
	w := newWorld(t)
	w.apply(f)
	want := map[uuid.UUID][]due.Entry{}
	var estimated, cold, rolled, replaced int
	for _, c := range f.history {
		e := *c.Entry
		if e.Correct != nil {
			right := *e.Correct
			right.ID, right.Unit, right.Recorded = e.Corrects, e.Unit, e.Recorded
			e.Correct = &right
		}
		for _, u := range []*due.Entry{&e, e.Correct} {
			if u == nil {
				continue
			}
			estimated, cold, rolled = estimated+count(u.Estimated), cold+count(u.HasCelsius && u.Celsius <= 0), rolled+count(u.Rollover > 0)
			replaced += count(u != &e && (u.Estimated || u.HasCelsius || u.Rollover > 0))
		}
		want[e.Unit] = append(want[e.Unit], e)
	}
	if estimated < 20 || cold < 20 || rolled < 10 || replaced < 20 {
		t.Fatalf("%d estimated, %d cold, %d rolled, %d of them in amendments: the ledger tests nothing", estimated, cold, rolled, replaced)
	}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		got, err := r.Entries(ctx, f.ids())
		if err != nil {
			return err
		}
		for _, m := range []map[uuid.UUID][]due.Entry{want, got} {
			for _, es := range m {
				slices.SortFunc(es, func(a, b due.Entry) int { return bytes.Compare(a.ID[:], b.ID[:]) })
			}
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateEmpty(), cmp.Comparer(func(a, b civil.Mark) bool { return a == b }), cmp.Comparer(time.Time.Equal)); diff != "" {
			t.Errorf("(-told +read)\n%s", diff)
		}
		return nil
	})
}

func count(b bool) int {
	if b {
		return 1
	}
	return 0
}
