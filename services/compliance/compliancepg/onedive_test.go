package compliancepg_test

import (
	"crypto/md5" //nolint:gosec // ids of clones, made the same way by PostgreSQL
	"fmt"
	"iter"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// firstYear keeps the entries of a ledger's first year.
func firstYear(ledger iter.Seq[compliance.Change]) iter.Seq[compliance.Change] {
	return func(yield func(compliance.Change) bool) {
		for c := range ledger {
			if c.Entry.Occurred.Year() > 2021 {
				continue
			}
			if !yield(c) {
				return
			}
		}
	}
}

// smallFleet applies a registry and a first year of a few units to an org, and returns how many entries there were.
func (w *world) smallFleet(org tenant.Org, units int) (entries int64) {
	w.t.Helper()
	read := pages(w.t, 1000, func(c compliance.Change) {
		if c.Entry != nil {
			entries++
		}
	}, map[compliance.Source]iter.Seq[compliance.Change]{compliance.Registry: benchRegistry(units), compliance.History: firstYear(benchLedger(units))})
	if _, _, err := w.store.Rebuild(w.t.Context(), org, read); err != nil {
		w.t.Fatal(err)
	}
	return entries
}

// oneDive logs a dive with a unit.
func oneDive(w *world, org tenant.Org, number int64, unit uuid.UUID, at time.Time) {
	e := &due.Entry{ID: uuid.New(), Unit: unit, Occurred: at, Recorded: at, Kind: due.UsageEntry, Amount: due.Amount{Dives: 1, Hours: 50 * time.Minute}}
	if _, err := w.store.Apply(w.t.Context(), org, compliance.History, []compliance.Change{{Number: number, Entry: e}}); err != nil {
		w.t.Fatal(err)
	}
}

// TestOneDiveTouchesItsSetAlone logs a dive with a set and looks which rows are new: those of the set and of what is fitted to it then, and
// no others.
func TestOneDiveTouchesItsSetAlone(t *testing.T) {
	long(t)
	t.Parallel()
	w := newWorld(t)
	w.publish(twenty())
	number := w.smallFleet(org, 400)
	conn, err := pgx.Connect(t.Context(), w.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(t.Context()) })
	versions := func() map[string]uuid.UUID {
		out := map[string]uuid.UUID{}
		for _, table := range []string{"p_units", "p_ledger", "clocks", "unit_holds", "notice_units"} {
			rows, err := conn.Query(t.Context(), `select unit_id, '`+table+` ' || ctid::text || ' ' || xmin::text from compliance.`+table)
			if err != nil {
				t.Fatal(err)
			}
			var unit uuid.UUID
			var version string
			if _, err := pgx.ForEachRow(rows, []any{&unit, &version}, func() error {
				out[version] = unit
				return nil
			}); err != nil {
				t.Fatal(err)
			}
		}
		return out
	}
	for _, c := range []struct {
		at      time.Time
		reached []uuid.UUID
	}{
		{time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC), []uuid.UUID{benchID('u', 40), benchID('u', 41)}},                   // 42 was taken off in 2025
		{time.Date(2023, 5, 1, 9, 0, 0, 0, time.UTC), []uuid.UUID{benchID('u', 40), benchID('u', 41), benchID('u', 42)}}, // a dive logged late
	} {
		before := versions()
		number++
		oneDive(w, org, number, c.reached[0], c.at)
		touched := map[uuid.UUID]bool{}
		clocks := map[uuid.UUID]int{}
		for version, unit := range versions() {
			if _, ok := before[version]; ok {
				continue
			}
			touched[unit] = true
			if strings.HasPrefix(version, "clocks ") {
				clocks[unit]++
			}
		}
		if len(touched) != len(c.reached) {
			t.Errorf("%s: the rows of %d units were written, want those of %d", c.at, len(touched), len(c.reached))
		}
		for _, unit := range c.reached {
			if clocks[unit] != 20 {
				t.Errorf("%s: %d clocks of a unit of the set were written, want 20", c.at, clocks[unit])
			}
		}
	}
}

// clone makes copies of an org's units by fours, with all that is stored of them, until there are so many; in the order of their ids, which
// fills the indexes quickest.
func clone(b *testing.B, conn *pgx.Conn, org tenant.Org, units int) {
	b.Helper()
	for table, ids := range map[string][]string{
		"p_units": {"unit_id", "host_id"}, "p_fittings": {"fitting_id", "part_id", "host_id"}, "p_ledger": {"unit_id"}, "clocks": {"unit_id"}, "notice_units": {"unit_id"},
	} {
		rows, err := conn.Query(b.Context(), `select attname::text from pg_attribute where attrelid = ('compliance.' || $1)::regclass and attnum > 0 and not attisdropped`, table)
		if err != nil {
			b.Fatal(err)
		}
		columns, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			b.Fatal(err)
		}
		values := make([]string, len(columns))
		for i, c := range columns {
			switch values[i] = "t." + c; {
			case slices.Contains(ids, c):
				values[i] = "md5(g.i || t." + c + "::text)::uuid"
			case c == "tag":
				values[i] = "t.tag || '-' || g.i"
			}
		}
		if _, err := conn.Exec(b.Context(), `insert into compliance.`+table+` (`+strings.Join(columns, ", ")+`) select `+strings.Join(values, ", ")+`
			from compliance.`+table+` as t cross join generate_series(1, $2::int) as g (i) where t.org_id = $1 order by md5(g.i || t.`+ids[0]+`::text)::uuid`, org.UUID, units/4-1); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOneDive applies one dive with a set of a fleet of 1,000 units and one of a fleet of 1,000,000, in turn, in one database: the
// entry is stored, and the clocks of the set and of its stages are derived and written. It reports the ratio of the medians; the goal is
// that it stays flat, which is at most 1.5.
func BenchmarkOneDive(b *testing.B) {
	w := newWorld(b)
	conn, err := pgx.Connect(b.Context(), w.data.DSN())
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = conn.Close(b.Context()) })
	p := twenty()
	p.Rules = p.Rules[:1]
	type fleet struct {
		org    tenant.Org
		units  int
		number int64
		took   []time.Duration
	}
	fleets := []*fleet{{org: tenant.Must("small"), units: 1000}, {org: tenant.Must("big"), units: 1_000_000}}
	for _, f := range fleets {
		if _, _, err := w.store.Publish(b.Context(), f.org, p.ID, p.Effective, encode(b, p), compliance.OwnChange{At: today, Kind: compliance.PackPublished, Subject: p.ID, Actor: "test"}); err != nil {
			b.Fatal(err)
		}
		f.number = w.smallFleet(f.org, 4)
		clone(b, conn, f.org, f.units)
	}
	if _, err := conn.Exec(b.Context(), `vacuum analyze`); err != nil {
		b.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	dive := func(f *fleet, minute int) {
		set := uuid.UUID(md5.Sum(fmt.Appendf(nil, "%d%s", 1+rng.IntN(f.units/4-1), benchID('u', 0)))) //nolint:gosec // as above
		f.number++
		began := time.Now()
		oneDive(w, f.org, f.number, set, today.Add(time.Duration(minute)*time.Minute))
		f.took = append(f.took, time.Since(began))
	}
	for i := range 100 { // statements are prepared and pages cached
		dive(fleets[0], i)
		dive(fleets[1], i)
	}
	fleets[0].took, fleets[1].took = nil, nil
	minute := 100
	for b.Loop() {
		for range 100 {
			minute++
			dive(fleets[0], minute)
			dive(fleets[1], minute)
		}
	}
	small, big := medianOf(fleets[0].took), medianOf(fleets[1].took)
	b.ReportMetric(float64(small.Microseconds()), "us/small")
	b.ReportMetric(float64(big.Microseconds()), "us/big")
	b.ReportMetric(float64(big)/float64(small), "ratio")
}
