package compliancepg_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestPeers compares with going through the whole fleet: which units are peers, and that what they were used for is what their whole
// history says, with amendments, meters, and what they were fitted to.
func TestPeers(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 60, 1200)
	w := newWorld(t)
	w.publish(house()...)
	w.apply(f)
	south := map[string]bool{"shop0": false, "shop1": false, "shop2": true} // Kiritimati and London lie north of the equator, Pago Pago south
	zone := map[string]string{"shop0": zones[0], "shop1": zones[1], "shop2": zones[2]}
	used, small := 0, 0
	for _, kind := range []string{"regulator-set", "first-stage", "second-stage", "cylinder", "bcd", "no-such-kind"} {
		for shop := range south {
			for _, limit := range []int{2, 50} {
				at := []time.Time{today, f.instant()}[limit%4/2]
				q := compliance.PeerQuery{Kind: kind, Shop: shop, Zone: zone[shop], At: at, Since: today.AddDate(0, -9, 0), Limit: limit}
				w.read(func(ctx context.Context, r *compliancepg.Reader) error {
					got, err := r.Peers(ctx, q)
					if err != nil {
						return err
					}
					var want, have []uuid.UUID
					own := 0
					stored, err := r.Sets(ctx, f.ids(), today)
					if err != nil {
						return err
					}
					for _, s := range stored {
						if s.Kind == kind && south[s.Self.Stay.Shop] == south[shop] && (s.Self.Retired.IsZero() || s.Self.Retired.After(at)) && !slices.Contains(want, s.Unit) {
							want = append(want, s.Unit)
							if s.Self.Stay.Shop == shop {
								own++
							}
						}
					}
					for _, in := range got {
						if slices.Contains(have, in.Unit) || !slices.Contains(want, in.Unit) {
							t.Errorf("%+v: %s is no peer, or comes twice", q, in.Unit)
						}
						have = append(have, in.Unit)
					}
					if len(have) != min(limit, len(want)) {
						t.Errorf("%+v: %d of %d units", q, len(have), len(want))
					}
					if limit < len(want) {
						small++
						if again, err := r.Peers(ctx, q); err != nil || again[0].Unit != have[0] || own > 0 && shopOf(stored, have[0]) != shop {
							t.Errorf("%+v: first %s and then %s, %v", q, have[0], again[0].Unit, err)
						}
					}
					for _, in := range got {
						_, whole, err := r.Explain(ctx, in.Unit, time.Time{}, time.Time{})
						if err != nil {
							return err
						}
						uses := usesOf(in, at, q.Since)
						used += len(uses)
						if diff := cmp.Diff(uses, usesOf(whole(in.Unit), at, q.Since), cmp.Comparer(func(a, b civil.Date) bool { return a == b })); diff != "" {
							t.Errorf("%+v: uses of %s as a peer (-), by its whole history (+):\n%s", q, in.Unit, diff)
						}
					}
					return nil
				})
			}
		}
	}
	if used < 15 || small < 5 {
		t.Errorf("only %d uses compared, and %d lists cut", used, small)
	}
}

func shopOf(sets []*compliance.Set, unit uuid.UUID) string {
	for _, s := range sets {
		if s.Unit == unit {
			return s.Self.Stay.Shop
		}
	}
	return ""
}

// usesOf returns the uses of an input since an instant.
func usesOf(in due.Input, at, since time.Time) []due.Counted {
	return slices.DeleteFunc(due.Uses(in, at, time.Time{}), func(c due.Counted) bool { return c.At.Before(since) })
}
