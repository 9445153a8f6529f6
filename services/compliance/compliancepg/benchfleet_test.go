package compliancepg_test

import (
	"context"
	"encoding/binary"
	"fmt"
	"iter"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// benchID is the id of the n-th thing of a kind: spread over the whole space, as random ids are.
func benchID(kind byte, n int) (id uuid.UUID) {
	x := uint64(n)*0x9e3779b97f4a7c15 + uint64(kind)<<56
	for i := range 2 {
		x ^= x >> 30
		x *= 0xbf58476d1ce4e5b9
		x ^= x >> 27
		x *= 0x94d049bb133111eb
		x ^= x >> 31
		binary.BigEndian.PutUint64(id[8*i:], x+uint64(i))
	}
	return id
}

var benchKinds = [...]string{"regulator-set", "first-stage", "second-stage", "bcd"}

// benchRegistry is a fleet: by fours, a set, two stages that were fitted to it for most of the time (a third of them until last year), and a
// BCD; at 30 shops in three time zones.
func benchRegistry(units int) iter.Seq[compliance.Change] {
	begin := time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC)
	return func(yield func(compliance.Change) bool) {
		for i := range 30 {
			zone := [...]string{"Europe/London", "Pacific/Auckland", "America/New_York"}[i%3]
			if !yield(compliance.Change{Shop: &compliance.Shop{ID: fmt.Sprint("shop", i), Name: fmt.Sprint("Shop ", i), Zone: zone, Jurisdiction: "GB"}}) {
				return
			}
		}
		for _, k := range benchKinds {
			if !yield(compliance.Change{Model: &compliance.Model{ID: k, Kind: k, Maker: "Invented", Size: "M"}}) {
				return
			}
		}
		for i := range units {
			u := &compliance.Unit{
				ID: benchID('u', i), Tag: fmt.Sprint("T-", i), Model: benchKinds[i%4], Manufactured: civil.Day(civil.New(2020, 1, 1).AddDays(i % 365)),
				Commissioned: civil.Day(civil.New(2021, 1, 1).AddDays(i % 90)), Placements: []compliance.Placement{{Shop: fmt.Sprint("shop", i/4%30), From: begin}},
			}
			if !yield(compliance.Change{Unit: u}) {
				return
			}
			if i%4 == 1 || i%4 == 2 {
				f := &compliance.Fitting{ID: benchID('f', i), Part: u.ID, Host: benchID('u', i-i%4), Place: fmt.Sprint("place", i%4), From: begin.AddDate(0, 0, 90+i%300)}
				if i%3 == 0 {
					f.To = time.Date(2025, 6, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, i%200)
				}
				if !yield(compliance.Change{Fitting: f}) {
					return
				}
			}
		}
	}
}

// benchLedger is five years of a fleet, quarter after quarter: of a set and of a BCD 100 uses, of a stage 10 of its own, of each 10 services
// and tests that passed. Nothing is amended, metered, marked or held: the statement of the benchmark knows nothing of those.
func benchLedger(units int) iter.Seq[compliance.Change] {
	work := [...][]string{{"inspection", "leak-test"}, {"overhaul", "flow-test"}, {"inspection", "hose-check"}, {"overhaul", "seat-check"}}
	begin := time.Date(2021, 4, 1, 0, 0, 0, 0, time.UTC)
	return func(yield func(compliance.Change) bool) {
		told := func(i, n int, at time.Time, e due.Entry) bool {
			e.ID, e.Unit, e.Occurred, e.Recorded = benchID('e', 200*i+n), benchID('u', i), at, at.Add(time.Hour)
			return yield(compliance.Change{Entry: &e})
		}
		for quarter := range 20 {
			for i := range units {
				for n := 5*quarter + 1; n <= 5*quarter+5; n++ {
					at := begin.AddDate(0, 0, n*18).Add(time.Duration((i*7919+n*104729)%25920) * time.Minute)
					uses := due.Amount{Dives: int64(1 + (i+n)%4), Hours: time.Duration(40+(i*7+n*13)%50) * time.Minute, Fills: int64((i + n) % 2)}
					if (i%4 == 0 || i%4 == 3 || n%10 == 0) && !told(i, n, at, due.Entry{Kind: due.UsageEntry, Amount: uses}) {
						return
					}
				}
				if n := quarter/2 + 1; quarter%2 == 1 {
					at := begin.AddDate(0, 0, 30+n*180).Add(time.Duration((i*104729+n*7919)%250000) * time.Minute)
					if !told(i, 100+n, at, due.Entry{Kind: due.Work, Activities: work[(i+n)%4], Outcome: due.Pass}) {
						return
					}
				}
			}
		}
	}
}

// pages reads feeds page by page, once, and tells keep of every change.
func pages(tb testing.TB, size int, keep func(compliance.Change), feeds map[compliance.Source]iter.Seq[compliance.Change]) func(context.Context, compliance.Source, int64) ([]compliance.Change, error) {
	next := map[compliance.Source]func() (compliance.Change, bool){}
	for source, feed := range feeds {
		pull, stop := iter.Pull(feed)
		tb.Cleanup(stop)
		next[source] = pull
	}
	return func(_ context.Context, source compliance.Source, after int64) (page []compliance.Change, err error) {
		for len(page) < size {
			c, ok := next[source]()
			if !ok {
				break
			}
			after++
			c.Number = after
			keep(c)
			page = append(page, c)
		}
		return page, nil
	}
}

// benchWorld is a fleet with five years of entries, derived by no rules yet; the same entries in a table log, for a statement to read, with
// indexes made for nothing else; and a connection that has as much memory to work with as it could use.
func benchWorld(tb testing.TB, units int) (*world, *pgx.Conn) {
	tb.Helper()
	w := newWorld(tb)
	conn, err := pgx.Connect(tb.Context(), w.data.DSN())
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { _ = conn.Close(context.WithoutCancel(tb.Context())) })
	exec := func(sql string) {
		if _, err := conn.Exec(tb.Context(), sql); err != nil {
			tb.Fatalf("%v in %s", err, sql)
		}
	}
	exec(`create unlogged table log (org_id uuid, unit_id uuid, entry_id uuid, occurred timestamptz, recorded timestamptz, kind smallint, dives bigint, hours bigint, fills bigint,
		activities text[], outcome smallint)`)
	var rows [][]any
	write := func() {
		if _, err := conn.CopyFrom(tb.Context(), pgx.Identifier{"log"}, []string{"org_id", "unit_id", "entry_id", "occurred", "recorded", "kind", "dives", "hours", "fills", "activities", "outcome"},
			pgx.CopyFromRows(rows)); err != nil {
			tb.Fatal(err)
		}
		rows = rows[:0]
	}
	keep := func(c compliance.Change) {
		if e := c.Entry; e != nil {
			rows = append(rows, []any{[16]byte(org.UUID), [16]byte(e.Unit), [16]byte(e.ID), e.Occurred, e.Recorded, int16(e.Kind), e.Amount.Dives, int64(e.Amount.Hours), e.Amount.Fills, e.Activities, int16(e.Outcome)})
			if len(rows) == 10_000 {
				write()
			}
		}
	}
	if _, _, err := w.store.Rebuild(tb.Context(), org, pages(tb, 10_000, keep, map[compliance.Source]iter.Seq[compliance.Change]{
		compliance.Registry: benchRegistry(units), compliance.History: benchLedger(units)})); err != nil {
		tb.Fatal(err)
	}
	write()
	for _, sql := range []string{
		`create index log_used on log (org_id, unit_id, occurred) include (dives, hours, fills) where kind = 1`,
		`create index log_passed on log (org_id, unit_id, occurred) include (activities) where kind = 2 and outcome = 1`,
		`vacuum analyze`, `set work_mem = '1GB'`, `set jit = off`, `set max_parallel_workers_per_gather = 4`,
	} {
		exec(sql)
	}
	return w, conn
}

// publishQuietly stores a revision of a pack without deriving anything by it.
func publishQuietly(tb testing.TB, conn *pgx.Conn, p due.Pack) {
	tb.Helper()
	if _, err := conn.Exec(tb.Context(), `insert into compliance.rule_packs (org_id, pack, revision, effective_on, published, digest, body) values ($1, $2, 1, $3, $4, '', $5)`,
		org.UUID, p.ID, p.Effective.Start(time.UTC), today, encode(tb, p)); err != nil {
		tb.Fatal(err)
	}
}
