package compliancepg_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// grantAt grants a waiver at an instant, for some days from some days after it on.
func (w *world) grantAt(f *feeds, unit uuid.UUID, rule string, at time.Time, after, days int) due.Waiver {
	w.t.Helper()
	var today civil.Date
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := r.Derive(ctx, []uuid.UUID{unit}, at, time.Time{})
		today = civil.In(at, sets[0].Self.Stay.Zone)
		return err
	})
	from := today.AddDays(after)
	give := due.Waiver{ID: f.id().String(), Unit: unit, Pack: "house", Rule: rule, To: from.AddDays(days), Signer: "the owner", Reason: "parts are on the way", Granted: at, Granter: "test"}
	got, _, err := w.store.GrantWaiver(w.t.Context(), org, give, civil.Day(from), compliance.OwnChange{At: at, Kind: compliance.WaiverGranted, Actor: "test"})
	if err != nil {
		w.t.Fatal(err)
	}
	f.signed = append(f.signed, at)
	return got
}

func (w *world) revokeAt(x due.Waiver, at time.Time) {
	w.t.Helper()
	if _, _, err := w.store.RevokeWaiver(w.t.Context(), org, x.Unit, uuid.MustParse(x.ID), "done", compliance.OwnChange{At: at, Kind: compliance.WaiverRevoked, Actor: "test"}); err != nil {
		w.t.Fatal(err)
	}
}

// waive grants waivers at random, half of them of the last months, and revokes some.
func (w *world) waive(f *feeds, n int) {
	w.t.Helper()
	rules := []string{"overhaul", "hours", "fills", "yearly", "unfounded"}
	for i := range n {
		at := f.instant()
		if i%2 == 0 {
			at = today.Add(-time.Duration(f.rng.IntN(100*24*60)) * time.Minute)
		}
		x := w.grantAt(f, f.units[f.rng.IntN(len(f.units))].ID, rules[f.rng.IntN(len(rules))], at, f.rng.IntN(3)*f.rng.IntN(20), f.rng.IntN(compliance.MaxWaiverDays+1))
		if f.rng.IntN(3) == 0 {
			if end := at.Add(time.Duration(f.rng.IntN(200*24*60)) * time.Minute); end.Before(today) {
				w.revokeAt(x, end)
				f.signed = append(f.signed, end)
			}
		}
	}
}

// excused counts the clocks at an instant that would block if no waiver excused them.
func (w *world) excused(f *feeds, at time.Time) (n int) {
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := r.Derive(ctx, f.ids(), at, time.Time{})
		for _, s := range sets {
			for i := range s.Self.Clocks {
				c := s.Self.Clocks[i]
				on := civil.In(at, s.Self.Stay.Zone)
				if id, _ := c.Excused(on); id != "" && c.InForce(on) {
					c.Waivers = nil
					if c.Blocking(on) {
						n++
					}
				}
			}
		}
		return err
	})
	return n
}

// TestWaiversAreExercised: the random waivers of the other tests excuse something, now and in the past; not in every fleet, but in most.
func TestWaiversAreExercised(t *testing.T) {
	long(t)
	t.Parallel()
	then, now := 0, 0
	for range 4 {
		w, f := builtFleet(t, 60, 900)
		for months := range 12 {
			then += w.excused(f, today.AddDate(0, -1-months, 0))
		}
		if now += w.excused(f, today); now > 0 && then > 0 {
			return
		}
	}
	t.Errorf("%d clocks are excused today and %d in the twelve months before", now, then)
}

// TestWaiversSurviveARebuild: grants and revocations leave the rows that a rebuild makes, whether or not the ledger had been read.
func TestWaiversSurviveARebuild(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 40, 500)
	w := newWorld(t)
	w.publish(house()...)
	for p := int64(0); p < int64(len(f.registry)); {
		got, err := w.store.Apply(t.Context(), org, compliance.Registry, f.page(compliance.Registry, p, 100))
		if err != nil {
			t.Fatal(err)
		}
		p = got.Registry
	}
	w.waive(f, 40)
	w.apply(f)
	w.waive(f, 40)
	want := w.rows(true)
	if !slices.ContainsFunc(want, func(s string) bool { return strings.HasPrefix(s, "clocks ") && strings.Contains(s, "the owner") }) {
		t.Error("no clock has a waiver")
	}
	w.rebuilt(f)
	if diff := cmp.Diff(want, w.rows(true)); diff != "" {
		t.Errorf("granted one by one (-), rebuilt (+):\n%s", diff)
	}
}

// TestWaiverIsRevokedOnceAndKept: the runtime role may not delete a waiver or change what was signed.
func TestWaiverIsRevokedOnceAndKept(t *testing.T) {
	t.Parallel()
	w, f := builtFleet(t, 10, 20)
	x := w.grantAt(f, f.units[0].ID, "overhaul", today, 0, 10)
	w.revokeAt(x, today.Add(time.Hour))
	if _, _, err := w.store.RevokeWaiver(t.Context(), org, x.Unit, uuid.MustParse(x.ID), "again", compliance.OwnChange{At: today.Add(2 * time.Hour), Actor: "other"}); !errs.Is(err, "WAIVER_REVOKED") {
		t.Errorf("revoked twice: %v", err)
	}
	db := w.data.Open(t, compliancepg.Schema)
	for _, statement := range []string{
		`delete from waivers where org_id = $1`, `update waivers set last_day = last_day + 1 where org_id = $1`, `update waivers set signer = 'nobody' where org_id = $1`,
	} {
		err := db.InOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, statement, org.UUID)
			return err
		})
		if err == nil {
			t.Errorf("the runtime role may %q", statement)
		}
	}
}

// TestWaiverListAgrees walks the list page by page and compares it with choosing from all waivers.
func TestWaiverListAgrees(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 30, 60)
	at := today.Add(time.Duration(f.rng.IntN(48)) * time.Hour)
	for i, u := range f.units { // some end on the day before, or the day, or the day after, where it is one of three dates
		w.grantAt(f, u.ID, "hours", today.AddDate(0, 0, -10), 0, 9+i%5)
	}
	for _, give := range []compliance.WaiverQuery{{At: at}, {At: at, Ended: true}, {At: at, Unit: f.units[1].ID}, {At: at, Unit: f.units[2].ID, Ended: true}, {At: at.AddDate(0, 1, 0)}} {
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			sets, err := r.Derive(ctx, f.ids(), time.Time{}, time.Time{})
			if err != nil {
				return err
			}
			var want []due.Waiver
			for _, s := range sets {
				on := civil.In(give.At, s.Self.Stay.Zone)
				for _, x := range s.Waivers {
					if x.Unit == s.Unit && (give.Unit == uuid.Nil || give.Unit == s.Unit) && (give.Ended || x.Revoked.IsZero() && x.To >= on) {
						want = append(want, x)
					}
				}
			}
			slices.SortFunc(want, func(a, b due.Waiver) int {
				if c := b.Granted.Compare(a.Granted); c != 0 {
					return c
				}
				return strings.Compare(b.ID, a.ID)
			})
			var got []due.Waiver
			q := give
			q.Limit = 1 + f.rng.IntN(9)
			for more := true; more; {
				var page []due.Waiver
				if page, more, err = r.WaiverList(ctx, q); err != nil {
					return err
				}
				got = append(got, page...)
				if more {
					last := page[len(page)-1]
					q.After = &compliance.WaiverKey{Granted: last.Granted, ID: uuid.MustParse(last.ID)}
				}
			}
			if diff := cmp.Diff(want, got); diff != "" || give.Unit == uuid.Nil && len(got) == 0 {
				t.Errorf("%+v: chosen (-), listed (+), %d of them:\n%s", give, len(got), diff)
			}
			return nil
		})
	}
}
