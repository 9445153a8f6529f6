package compliancerpc

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// allocatingRig is a rig with a shop that has so many units of each of five kinds.
func allocatingRig(b *testing.B, each int) (*rig, []*compliancepb.Outfit_Item) {
	b.Helper()
	r := newRig(b)
	kinds := []string{"regulator-set", "bcd", "cylinder", "exposure-suit", "dive-computer"}
	pack := "title: House policy of the bench\neffectiveDate: {year: 2020, month: 1, day: 1}\nrules:\n"
	for _, k := range kinds {
		pack += "  - {id: " + k + `, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [` + k +
			"]}, limit: {months: 24, dives: 1000}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}\n"
	}
	r.publish("house", pack)
	r.catalogue(kinds...)
	var unit string
	items := make([]*compliancepb.Outfit_Item, len(kinds))
	for i, k := range kinds {
		items[i] = item(k, "", 1)
		for n := range each {
			unit = r.unit(k, fmt.Sprintf("%s-%04d", k, n), "north")
		}
	}
	r.standing(unit)
	return r, items
}

// BenchmarkAllocateOutfit promises outfits of five units through the whole server, and inserts five such rows under the same constraint in a transaction of its own, in
// turn. The ratio is that of the medians.
func BenchmarkAllocateOutfit(b *testing.B) {
	r, items := allocatingRig(b, 40)
	org := tenant.Must("reef")
	var ours, raw []time.Duration
	hour := 24
	for range 20 { // some calendars to begin with
		hour += 2
		r.allocate(r.wish(hour, hour+1, 1, items...))
	}
	settleBench(b, r)
	for b.Loop() {
		hour += 2
		began := time.Now()
		req := r.wish(hour, hour+1, 1, items...)
		resp, err := r.availability.AllocateUnits(b.Context(), req)
		if err != nil {
			b.Fatal(err)
		}
		ours = append(ours, time.Since(began))
		began = time.Now()
		if err := rawAllocation(b.Context(), r, org, resp.GetAllocations(), req.GetStartTime().AsTime().Add(time.Hour), req.GetEndTime().AsTime().Add(time.Hour)); err != nil {
			b.Fatal(err)
		}
		raw = append(raw, time.Since(began))
		if len(ours)%20 == 0 { // so that nobody's calendar grows beyond what a season's does
			b.StopTimer()
			r.forget(b, hour-40)
			b.StartTimer()
		}
	}
	m, base := median(ours), median(raw)
	b.ReportMetric(float64(m.Microseconds()), "ours-µs")
	b.ReportMetric(float64(base.Microseconds()), "raw-µs")
	b.ReportMetric(float64(m)/float64(base), "ratio")
}

// rawAllocation inserts the rows of allocations for another window as plainly as pgx can, with everything that the table has.
func rawAllocation(ctx context.Context, r *rig, org tenant.Org, all []*compliancepb.Allocation, from, to time.Time) error {
	return r.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		group := uuid.New()
		for _, a := range all {
			if _, err := tx.Exec(ctx, `insert into allocations (org_id, allocation_id, group_id, outfit, kind, size, shop, unit_id, during, dives, hours, fills, state, pinned,
					reference, created, creator, confirmed, number) values ($1, $2, $3, 1, $4, '', 'north', $5, $6, 1, 0, 0, 2, false, '', $7, 'bench', $7, 1)`,
				org.UUID, uuid.New(), group, a.GetKind(), uuid.MustParse(a.GetUnit()[len("orgs/reef/units/"):]),
				pgtype.Range[time.Time]{Lower: from, Upper: to, LowerType: pgtype.Inclusive, UpperType: pgtype.Exclusive, Valid: true}, now); err != nil {
				return err
			}
		}
		return nil
	})
}

// settleBench has the planner know what there is, as it would after a while.
func settleBench(b *testing.B, r *rig) {
	b.Helper()
	conn, err := pgx.Connect(b.Context(), r.data.DSN())
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(b.Context())) }()
	if _, err := conn.Exec(b.Context(), `vacuum analyze`); err != nil {
		b.Fatal(err)
	}
}

// forget ends the allocations of the rig up to an hour, and has the database tidy up, as it does by itself after a while.
func (r *rig) forget(b *testing.B, hour int) {
	b.Helper()
	if err := r.db.InOrg(b.Context(), tenant.Must("reef"), func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update allocations set state = 5, finished = created where state <= 3 and upper(during) <= $1`, now.Add(time.Duration(hour)*time.Hour))
		return err
	}); err != nil {
		b.Fatal(err)
	}
	settleBench(b, r)
}

// BenchmarkSixtyFourCallers has 64 callers search, promise and release at once. It reports how many times the median the slowest hundredth takes; an error fails it.
func BenchmarkSixtyFourCallers(b *testing.B) {
	r, items := allocatingRig(b, 200)
	for hour := range 60 {
		r.allocate(r.wish(24+2*hour, 25+2*hour, 1, items...))
	}
	settleBench(b, r)
	for b.Loop() {
		took := make([][]time.Duration, 64)
		g, ctx := errgroup.WithContext(b.Context())
		for c := range 64 {
			g.Go(func() error {
				for n := range 12 {
					hour := 24 + 2*(c*12+n)
					began := time.Now()
					_, err := r.availability.SearchAvailability(ctx, &compliancepb.SearchAvailabilityRequest{
						Parent: r.org, Kind: items[c%5].GetKind(), Shop: r.org + "/shops/north", StartTime: timestamppb.New(now.Add(time.Duration(hour) * time.Hour)),
						EndTime: timestamppb.New(now.Add(time.Duration(hour+1) * time.Hour)), ExpectedDives: 1,
					})
					if err != nil {
						return err
					}
					took[c] = append(took[c], time.Since(began))
					began = time.Now()
					resp, err := r.availability.AllocateUnits(ctx, r.wish(hour, hour+1, 1, items...))
					if err != nil {
						return err
					}
					if _, err := r.availability.ReleaseAllocations(ctx, &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: names(resp.GetAllocations()...), RequestId: uuid.NewString()}); err != nil {
						return err
					}
					took[c] = append(took[c], time.Since(began)/2)
				}
				return nil
			})
		}
		if err := g.Wait(); err != nil {
			b.Fatal(err)
		}
		all := slices.Concat(took...)
		slices.Sort(all)
		mid, slow := all[len(all)/2], all[len(all)*99/100]
		b.ReportMetric(float64(mid.Microseconds()), "p50-µs")
		b.ReportMetric(float64(slow.Microseconds()), "p99-µs")
		b.ReportMetric(float64(slow)/float64(mid), "ratio")
	}
}
