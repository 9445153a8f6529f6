package compliancepg_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestHoldsThenAgree walks lists of the holds of an instant page by page and compares them with deriving every unit.
func TestHoldsThenAgree(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 60, 900)
	placed := 0
	for range 40 {
		at := f.instant()
		h := due.ManualHold{ID: f.id().String(), Unit: f.units[f.rng.IntN(len(f.units))].ID, Reason: "looked odd", Blocks: due.HandOut, Placed: at, Placer: "test"}
		if _, err := w.store.PlaceHold(t.Context(), org, h, compliance.OwnChange{At: at, Kind: compliance.HoldPlaced, Actor: "test"}); err != nil {
			t.Fatal(err)
		}
		if end := at.Add(time.Duration(f.rng.IntN(200*24*60)) * time.Minute); end.Before(today) {
			if _, _, err := w.store.LiftHold(t.Context(), org, h.Unit, h.ID, "looked at", compliance.OwnChange{At: end, Kind: compliance.HoldLifted, Actor: "test"}); err != nil {
				t.Fatal(err)
			}
			placed++
		}
	}
	open, lifted := 0, 0
	at := instants(f)
	for _, t := range f.signed[max(0, len(f.signed)-12):] { // a moment before a recall was opened or withdrawn, or a unit released
		at = append(at, t.Add(-time.Microsecond))
	}
	for _, at := range some(f.rng, at, rounds.Of(10)) {
		for _, q := range []compliance.HoldQuery{
			{}, {Lifted: true}, {Shop: "shop1"}, {Known: at}, {Known: f.instant(), Lifted: true, Shop: "shop0"}, {Unit: f.units[f.rng.IntN(len(f.units))].ID, Lifted: true},
			{Unit: f.units[f.rng.IntN(len(f.units))].ID, Known: f.instant()},
		} {
			q.At, q.Past = at, true
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				sets, err := r.Derive(ctx, f.ids(), q.At, q.Known)
				if err != nil {
					return err
				}
				var rows []compliance.HoldRow
				for _, s := range sets {
					d := s.Self
					if q.Unit != uuid.Nil && s.Unit != q.Unit || q.Shop != "" && d.Stay.Shop != q.Shop || q.Unit == uuid.Nil && !d.Retired.IsZero() && !at.Before(d.Retired) {
						continue
					}
					for _, h := range d.Holds {
						isOpen := !h.Opened.After(at) && (h.Lifted.IsZero() || h.Lifted.After(at))
						if isOpen || q.Lifted && !h.Opened.After(at) {
							rows = append(rows, compliance.HoldRow{Hold: h, Tag: s.Tag, Kind: s.Kind, Shop: d.Stay.Shop})
						}
						if isOpen {
							open++
						} else {
							lifted++
						}
					}
				}
				slices.SortFunc(rows, func(a, b compliance.HoldRow) int { return a.Key().Compare(b.Key()) })
				var want, got []string
				for i := range rows {
					want = append(want, holdLine(&rows[i]))
				}
				q.Limit = 1 + f.rng.IntN(60)
				for more := true; more; {
					var page []compliance.HoldRow
					if page, more, err = r.Holds(ctx, q); err != nil {
						return err
					}
					if len(page) > q.Limit || more && len(page) < q.Limit {
						t.Fatalf("a page of %d holds for a limit of %d", len(page), q.Limit)
					}
					for i := range page {
						got = append(got, holdLine(&page[i]))
						k := page[i].Key()
						q.After = &k
					}
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("at %v, %+v: derived one by one (-), listed (+):\n%s", at, q, diff)
				}
				return nil
			})
		}
	}
	if open < 200 || lifted < 200 || placed == 0 {
		t.Errorf("only %d open and %d lifted holds were compared, %d placed and lifted by hand", open, lifted, placed)
	}
}

func holdLine(r *compliance.HoldRow) string {
	h := &r.Hold
	return fmt.Sprintf("%s %s %s %s %s cause %d %q blocks %d open %s lifted %s by %q %q proof %s", r.Tag, r.Kind, r.Shop, h.Unit, h.ID, h.Cause, h.Reason, h.Blocks,
		h.Opened.UTC().Format(time.RFC3339Nano), h.Lifted.UTC().Format(time.RFC3339Nano), h.Lifter, h.LiftReason, h.Proof)
}

// TestWaiversThenAgree compares lists of the waivers of an instant with choosing from all of them.
func TestWaiversThenAgree(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 30, 60)
	w.waive(f, 120)
	w.recall(f, 6)
	var all []due.Waiver
	w.read(func(ctx context.Context, r *compliancepg.Reader) (err error) {
		all, _, err = r.WaiverList(ctx, compliance.WaiverQuery{Ended: true, At: today, Limit: 1000})
		return err
	})
	if len(all) < 120 {
		t.Fatalf("%d waivers", len(all))
	}
	listed, stripped := 0, 0
	for range rounds.Of(30) {
		at, known := f.instant(), time.Time{}
		if f.rng.IntN(2) == 0 {
			known = f.instant()
		}
		for _, q := range []compliance.WaiverQuery{{}, {Ended: true}, {Unit: all[f.rng.IntN(len(all))].Unit, Ended: true}} {
			q.At, q.Known, q.Past = at, known, true
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				sets, err := r.Derive(ctx, f.ids(), at, known)
				if err != nil {
					return err
				}
				days := map[uuid.UUID]civil.Date{}
				for _, s := range sets {
					days[s.Unit] = civil.In(at, s.Self.Stay.Zone)
				}
				var want, got []due.Waiver
				for _, x := range all {
					if x.Granted.After(at) || !known.IsZero() && x.Granted.After(known) || q.Unit != uuid.Nil && x.Unit != q.Unit {
						continue
					}
					if !x.Revoked.IsZero() && (x.Revoked.After(at) || !known.IsZero() && x.Revoked.After(known)) {
						x.Revoked, x.Revoker, x.RevokeReason = time.Time{}, "", ""
						stripped++
					}
					if q.Ended || x.Revoked.IsZero() && days[x.Unit] <= x.To {
						want = append(want, x)
					}
				}
				q.Limit = 1 + f.rng.IntN(5)
				for more := true; more; {
					var page []due.Waiver
					if page, more, err = r.WaiverList(ctx, q); err != nil {
						return err
					}
					if len(page) > q.Limit || more && len(page) == 0 {
						t.Fatalf("a page of %d waivers for a limit of %d", len(page), q.Limit)
					}
					for _, x := range page {
						got = append(got, x)
						q.After = &compliance.WaiverKey{Granted: x.Granted, ID: uuid.MustParse(x.ID)}
					}
				}
				listed += len(got)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("%+v: want (-), got (+):\n%s", q, diff)
				}
				return nil
			})
		}
	}
	if listed < 200 || stripped == 0 {
		t.Errorf("only %d waivers listed, %d with a later revocation", listed, stripped)
	}
}

// TestPackBy compares reading one revision with choosing from all.
func TestPackBy(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.publishAt(today.AddDate(0, 0, -10), house()...)
	published := func(n int64) (out compliance.PackRevision) {
		w.read(func(ctx context.Context, r *compliancepg.Reader) (err error) {
			out, err = r.Pack(ctx, "house", n)
			return err
		})
		return out
	}
	all := []compliance.PackRevision{published(1), published(2), published(3)}
	found := 0
	for _, known := range []time.Time{{}, all[0].Published.Add(-time.Microsecond), all[0].Published, all[1].Published, all[2].Published} {
		for _, n := range []int64{0, 1, 3, 4} {
			for _, day := range []civil.Date{0, all[0].Effective - 1, all[0].Effective, all[1].Effective, all[2].Effective, all[2].Effective + 400} {
				q := compliancepg.RevisionQuery{ID: "house", Revision: n, Known: known}
				if day != 0 {
					q.InForce = &day
				}
				var want int64
				for _, p := range all {
					if (n == 0 || p.Revision == n) && (known.IsZero() || !p.Published.After(known)) && (day == 0 || p.Effective <= day) {
						want = p.Revision
					}
				}
				w.read(func(ctx context.Context, r *compliancepg.Reader) error {
					got, err := r.PackBy(ctx, q)
					if got.Revision != want || (err == nil) != (want > 0) {
						t.Errorf("%+v: revision %d (%v), want %d", q, got.Revision, err, want)
					}
					found++
					return nil
				})
			}
		}
	}
	if found == 0 {
		t.Error("nothing compared")
	}
}
