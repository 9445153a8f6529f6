package historypg_test

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
)

var sameMark = gocmp.Comparer(func(a, b civil.Mark) bool { return a == b })

// register registers lots by their ids.
func register(t testing.TB, s *historypg.Store, org tenant.Org, ids ...string) {
	t.Helper()
	for _, id := range ids {
		if _, err := s.CreateLot(t.Context(), org, history.Lot{ID: id, Part: "seat", Title: "Seats", Recorder: "test", Created: at}); err != nil {
			t.Fatal(err)
		}
	}
}

// A lot comes back as it was stated, whatever the shape of its shelf life; a second one of its id does not change it.
func TestLotStands(t *testing.T) {
	t.Parallel()
	s := historypg.New(pgtest.New(t).Open(t, historypg.Schema))
	want := map[string]history.Lot{}
	for i, mark := range []civil.Mark{{}, civil.Day(civil.New(2028, time.February, 29)), civil.Month(2028, time.February), civil.Day(civil.New(2028, time.February, 1)), civil.Month(1900, time.January), civil.Day(civil.New(2999, time.December, 31))} {
		l := history.Lot{
			ID: fmt.Sprint("lot-", i), Part: "seat", Title: "Seats, hard", LotNumber: fmt.Sprint("Ω", i), Supplier: "the quay's", Expires: mark, Quantity: int64(i * 1_000_000 / 5),
			Recorder: "person", Created: at.Add(time.Duration(i) * time.Microsecond),
		}
		for _, repeat := range []history.Lot{l, {ID: l.ID, Title: "something else", Quantity: 7, Recorder: "another", Created: at.Add(time.Hour)}} {
			got, err := s.CreateLot(t.Context(), orgA, repeat)
			if d := gocmp.Diff(l, got, sameMark); err != nil || d != "" {
				t.Errorf("create: %v (-want +got)\n%s", err, d)
			}
		}
		got, err := s.Lot(t.Context(), orgA, l.ID)
		if d := gocmp.Diff(l, got, sameMark); err != nil || d != "" {
			t.Errorf("read: %v (-want +got)\n%s", err, d)
		}
		want[l.ID] = l
	}
	if d := gocmp.Diff(want, historypg.ReadLots(t, historypg.DB(s), orgA, "lot-0", "lot-1", "lot-2", "none", "lot-3", "lot-4", "lot-5", "lot-2"), sameMark); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if got := historypg.ReadLots(t, historypg.DB(s), orgA); len(got) != 0 {
		t.Errorf("none asked for: %v", got)
	}
}

// Random uses of parts in two orgs with lots of the same names, against lists in memory, read in pages of every size.
func TestPartUsesAgainstLists(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, historypg.Schema)
	s := historypg.New(db)
	rng := rand.New(rand.NewPCG(3, 1))
	lots := []string{"a", "a-1", "b", "z"} // nothing comes from z
	units := []uuid.UUID{uuid.New(), uuid.New(), uuid.New()}
	oracle := map[tenant.Org][]history.PartUse{}
	number := map[tenant.Org]int64{}
	for _, org := range []tenant.Org{orgA, orgB} {
		register(t, s, org, lots...)
	}
	for range 60 {
		org := []tenant.Org{orgA, orgB}[rng.IntN(2)]
		batch := make([]history.PartUse, rng.IntN(6))
		for i := range batch {
			number[org] += 1 + rng.Int64N(3) // other entries lie between
			batch[i] = history.PartUse{
				Sequence: number[org], Entry: uuid.New(), Unit: units[rng.IntN(len(units))], Order: uuid.New(), Lot: lots[rng.IntN(3)], Part: []string{"seat", "o-ring"}[rng.IntN(2)],
				Count: 1 + rng.IntN(4), Occurred: at.Add(-time.Duration(rng.IntN(1e9)) * time.Microsecond), // not in the order of the ledger
			}
			if rng.IntN(3) == 0 {
				batch[i].Count = -batch[i].Count
			}
		}
		if err := historypg.WritePartUses(t, db, org, batch...); err != nil {
			t.Fatal(err)
		}
		oracle[org] = append(oracle[org], batch...)
	}
	paged := func(next func(after int64, limit int) ([]history.PartUse, error), size int) (all []history.PartUse) {
		for after := int64(0); ; {
			got, err := next(after, size)
			if err != nil || len(got) > size || len(got) > 0 && got[0].Sequence <= after {
				t.Fatalf("a page of %d after %d: %v", len(got), after, err)
			}
			if all = append(all, got...); len(got) < size {
				return all
			}
			after = got[len(got)-1].Sequence
		}
	}
	compare := func(what string, org tenant.Org, keep func(history.PartUse) bool, got []history.PartUse) {
		t.Helper()
		var want []history.PartUse
		for _, u := range oracle[org] {
			if keep(u) {
				want = append(want, u)
			}
		}
		slices.SortFunc(want, func(a, b history.PartUse) int { return cmp.Compare(a.Sequence, b.Sequence) })
		if d := gocmp.Diff(want, got); d != "" {
			t.Errorf("%s of %s (-want +got)\n%s", what, org.ID, d)
		}
	}
	for _, org := range []tenant.Org{orgA, orgB} {
		if len(oracle[org]) < 30 {
			t.Fatalf("%d uses in %s: they test little", len(oracle[org]), org.ID)
		}
		for _, size := range []int{1, 2, 7, 1000} {
			for _, lot := range lots {
				compare("lot "+lot, org, func(u history.PartUse) bool { return u.Lot == lot }, paged(func(after int64, limit int) ([]history.PartUse, error) {
					return s.UsesOfLot(t.Context(), org, lot, after, limit)
				}, size))
			}
			for i, unit := range append(units, uuid.New()) {
				compare(fmt.Sprint("unit ", i), org, func(u history.PartUse) bool { return u.Unit == unit }, paged(func(after int64, limit int) ([]history.PartUse, error) {
					return s.UsesOfUnit(t.Context(), org, unit, after, limit)
				}, size))
			}
		}
	}
}

// What the service's role may do with lots and uses is to add and to read, in its own org: the database refuses it anything else, with SQLSTATE 42501
// (insufficient privilege; PostgreSQL manual, appendix A).
func TestLotsAreAddedToOnly(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, historypg.Schema)
	s := historypg.New(db)
	unit := uuid.New()
	use := history.PartUse{Sequence: 1, Entry: uuid.New(), Unit: unit, Order: uuid.New(), Lot: "seats", Part: "seat", Count: 2, Occurred: at}
	register(t, s, orgA, "seats")
	if err := historypg.WritePartUses(t, db, orgA, use); err != nil {
		t.Fatal(err)
	}
	for _, sql := range []string{
		`update lots set title = 'others'`, `delete from lots`, `truncate lots`, `select from lots for update`, `drop table lots`,
		`insert into lots table lots on conflict (org_id, lot) do update set title = 'others'`,
		`update part_uses set count = 1`, `delete from part_uses`, `truncate part_uses`, `select from part_uses for share`, `alter table part_uses disable row level security`,
		`insert into part_uses table part_uses on conflict (org_id, lot, sequence) do update set count = 1`,
		// Into another org: against the policy, with the same SQLSTATE.
		`insert into lots select '` + orgB.UUID.String() + `', lot, part, title, lot_number, supplier, expires, expires_month, quantity, recorder, created from lots`,
		`insert into part_uses select '` + orgB.UUID.String() + `', lot, sequence, unit_id, order_id, part, count, entry_id, occurred from part_uses`,
	} {
		if err := db.InOrg(t.Context(), orgA, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql)
			return err
		}); pg.Code(err) != "42501" {
			t.Errorf("%s: SQLSTATE %q, want 42501 (%v)", sql, pg.Code(err), err)
		}
	}
	for _, org := range []tenant.Org{orgA, orgB} {
		var n int
		if err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
			return tx.QueryRow(ctx, `select (select count(*) from lots) + (select count(*) from part_uses)`).Scan(&n)
		}); err != nil || n != map[tenant.Org]int{orgA: 2}[org] {
			t.Errorf("%s sees %d rows (%v)", org.ID, n, err)
		}
	}
	for name, bad := range map[string]func(*history.PartUse){
		"none": func(u *history.PartUse) { u.Count, u.Sequence = 0, 9 }, "no entry": func(u *history.PartUse) { u.Sequence = 0 }, "twice": func(*history.PartUse) {},
	} {
		u := use
		bad(&u)
		if err := historypg.WritePartUses(t, db, orgA, u); err == nil {
			t.Errorf("%s: was written", name)
		}
	}
}

// fillUses writes n uses of parts of an org as if they had been recorded: lots of 50, into 5,000 units.
func fillUses(t testing.TB, conn *pgx.Conn, org tenant.Org, n int) {
	t.Helper()
	for _, sql := range []string{
		`insert into history.lots (org_id, lot, part, title, lot_number, supplier, expires_month, quantity, recorder, created)
			select $1, 'lot-' || n, 'seat', 'Seats', '', '', false, 0, 'r', now() from generate_series(0, ($2::int - 1) / 50) as n`,
		// The uses of a lot lie far from one another, as those of a bag that lasts a year do.
		`insert into history.part_uses (org_id, lot, sequence, unit_id, order_id, part, count, entry_id, occurred)
			select $1, 'lot-' || n % (1 + ($2::int - 1) / 50), n, md5((n % 5000)::text)::uuid, md5('order' || n)::uuid, 'seat', 1, md5('entry' || n)::uuid,
				timestamptz '2020-01-01' + n * interval '1 minute'
			from generate_series(1, $2::int) as n`,
	} {
		if _, err := conn.Exec(t.Context(), sql, org.UUID, n); err != nil {
			t.Fatal(err)
		}
	}
}

func superuser(t testing.TB, d *pgtest.Database) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
	// A vacuum takes rows for visible to all, which a scan of an index alone needs, only when their commit is on disk.
	if _, err := conn.Exec(t.Context(), `set synchronous_commit = on`); err != nil {
		t.Fatal(err)
	}
	return conn
}

// wantIndexOnly fails unless the trace of a lot is one scan of an index alone, which looks at no row of the table and finds want rows.
func wantIndexOnly(t testing.TB, db *pg.DB, org tenant.Org, lot string, want float64) {
	t.Helper()
	plan := historypg.ExplainTrace(t, db, org, lot, 1001)
	var out []struct{ Plan node }
	if err := json.Unmarshal([]byte(plan), &out); err != nil {
		t.Fatal(err)
	}
	var scans []node
	var walk func(n node)
	walk = func(n node) {
		if strings.Contains(n.Kind, "Scan") {
			scans = append(scans, n)
		}
		if n.Kind == "Sort" {
			t.Errorf("it is sorted, and the index has it in order:\n%s", plan)
		}
		for _, p := range n.Plans {
			walk(p)
		}
	}
	walk(out[0].Plan)
	if len(scans) != 1 || scans[0].Kind != "Index Only Scan" || scans[0].Index != "part_uses_pkey" || scans[0].Fetches != 0 || scans[0].Rows != want || scans[0].Removed != 0 {
		t.Errorf("want %v rows from the index part_uses_pkey alone:\n%s", want, plan)
	}
}

// The trace of a lot is read from the index alone, through row-level security, however the lots lie.
func TestTraceIsIndexOnly(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.Open(t, historypg.Schema)
	conn := superuser(t, d)
	fillUses(t, conn, orgA, 5000)
	fillUses(t, conn, orgB, 2000)
	if _, err := conn.Exec(t.Context(), `vacuum analyze history.part_uses`); err != nil {
		t.Fatal(err)
	}
	wantIndexOnly(t, db, orgA, "lot-7", 50)
	wantIndexOnly(t, db, orgB, "lot-7", 50)
	wantIndexOnly(t, db, orgA, "none", 0)
}

// BenchmarkTraceLot asks where a lot of 50 parts went, in an org of 1,000 uses of parts and in one of 1,000,000 (20,000 lots), in turn, in one database, each
// time another lot. It reports the ratio of the medians; the goal is that it stays flat, which is at most 1.5.
func BenchmarkTraceLot(b *testing.B) {
	d := pgtest.New(b)
	db := d.Open(b, historypg.Schema)
	s := historypg.New(db)
	conn := superuser(b, d)
	type side struct {
		org  tenant.Org
		uses int
		took []time.Duration
	}
	sides := []*side{{org: tenant.Must("small"), uses: 1000}, {org: tenant.Must("big"), uses: 1_000_000}}
	for _, f := range sides {
		fillUses(b, conn, f.org, f.uses)
	}
	if _, err := conn.Exec(b.Context(), `vacuum analyze`); err != nil {
		b.Fatal(err)
	}
	for _, f := range sides {
		wantIndexOnly(b, db, f.org, "lot-7", 50)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	trace := func(f *side) {
		lot := fmt.Sprint("lot-", rng.IntN(f.uses/50))
		began := time.Now()
		uses, err := s.UsesOfLot(b.Context(), f.org, lot, 0, 1001)
		f.took = append(f.took, time.Since(began))
		if err != nil || len(uses) != 50 {
			b.Fatalf("%d uses of %s: %v", len(uses), lot, err)
		}
	}
	for range 200 { // statements are prepared and pages cached
		trace(sides[0])
		trace(sides[1])
	}
	sides[0].took, sides[1].took = nil, nil
	for b.Loop() {
		for range 100 {
			trace(sides[0])
			trace(sides[1])
		}
	}
	small, big := medianOf(sides[0].took), medianOf(sides[1].took)
	b.ReportMetric(float64(small.Microseconds()), "us/small")
	b.ReportMetric(float64(big.Microseconds()), "us/big")
	b.ReportMetric(float64(big)/float64(small), "ratio")
}

func medianOf(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}
