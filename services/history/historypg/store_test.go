package historypg_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/historypg"
)

func TestMain(m *testing.M) { pgtest.Main(m, historypg.Schema) }

var (
	orgA = tenant.Must("tidewater")
	orgB = tenant.Must("outer-banks")
	at   = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)
)

func TestTenancy(t *testing.T) {
	t.Parallel()
	pgtest.CheckTenancy(t, pgtest.New(t), historypg.Schema)
}

// fill appends n condition reports of a unit.
func fill(t testing.TB, s *historypg.Store, org tenant.Org, unit uuid.UUID, n int) {
	t.Helper()
	if err := s.Write(t.Context(), org, func(ctx context.Context, tx history.Tx) error {
		head, _, err := tx.Lock(ctx, nil, nil)
		if err != nil {
			return err
		}
		chain := history.NewChain(org, head)
		rows := make([]*history.Row, n)
		for i := range rows {
			e := history.Entry{Occurred: at.Add(time.Duration(i) * time.Minute), Detail: history.Detail{Condition: &history.Condition{Condition: "drop", Severity: history.Note}}}
			r := &history.Row{Sequence: head.Number + 1, ID: uuid.New(), Unit: unit, Shop: "quay", Kind: e.Kind(), Occurred: e.Occurred, Recorded: e.Occurred, Recorder: "test", Body: history.AppendBody(nil, &e)}
			r.Recorded = at
			r.Digest = chain.Next(r)
			head = history.Head{Number: r.Sequence, Digest: r.Digest, Recorded: r.Recorded}
			rows[i] = r
		}
		return tx.Append(ctx, rows, head, nil)
	}); err != nil {
		t.Fatal(err)
	}
}

// The service's role can add to the ledger and read it, and the database refuses it anything else, with SQLSTATE 42501 (insufficient
// privilege; PostgreSQL manual, appendix A).
func TestLedgerIsAppendOnly(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.Open(t, historypg.Schema)
	s := historypg.New(db)
	unit := uuid.New()
	fill(t, s, orgA, unit, 3)
	for _, sql := range []string{
		`update entries set shop = 'elsewhere'`,
		`update entries set body = body where sequence = 1`,
		`delete from entries`,
		`delete from entries where sequence = 3`,
		`truncate entries`,
		`select from entries for update`,
		`insert into entries table entries on conflict (org_id, sequence) do update set shop = 'elsewhere'`,
		`merge into entries e using heads h on e.org_id = h.org_id when matched then delete`,
		`alter table entries disable row level security`,
		`drop table entries`,
		`create table more (org_id uuid)`,
		`delete from heads`,
		`truncate heads`,
	} {
		err := db.InOrg(t.Context(), orgA, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql)
			if pg.Code(err) != "42501" {
				t.Errorf("%s: SQLSTATE %q, want 42501 (%v)", sql, pg.Code(err), err)
			}
			return err
		})
		if err == nil {
			t.Errorf("%s: was let through", sql)
		}
	}
	v := history.NewVerifier(orgA)
	head, err := s.Walk(t.Context(), orgA, v.Next)
	if err != nil || head.Number != 3 {
		t.Errorf("%+v, %v", head, err)
	}
	if err := v.Done(head); err != nil {
		t.Error(err)
	}
}

// Statements that forget to name the org, or name another one, still see and write only the transaction's.
func TestRowsAreTheOrgs(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.Open(t, historypg.Schema)
	s := historypg.New(db)
	unit := uuid.New()
	fill(t, s, orgA, unit, 3)
	fill(t, s, orgB, unit, 5)
	for _, c := range []struct {
		org  tenant.Org
		want int
	}{{orgA, 3}, {orgB, 5}, {tenant.Must("nobody"), 0}} {
		for table, sql := range map[string]string{"entries": `select count(*) from entries`, "heads": `select coalesce(sum(number), 0) from heads`} {
			var n int
			if err := db.ReadOrg(t.Context(), c.org, func(ctx context.Context, tx pgx.Tx) error { return tx.QueryRow(ctx, sql).Scan(&n) }); err != nil || n != c.want {
				t.Errorf("%s sees %d in %s, want %d (%v)", c.org.ID, n, table, c.want, err)
			}
		}
		rows, err := s.List(t.Context(), c.org, history.Query{Unit: unit}, 0, 100)
		if err != nil || len(rows) != c.want {
			t.Errorf("%s lists %d, want %d (%v)", c.org.ID, len(rows), c.want, err)
		}
	}
	for _, sql := range []string{
		`insert into entries select $1, sequence + 100, gen_random_uuid(), unit_id, shop, kind, occurred, recorded, corrects, recorder, body, digest, order_id from entries`,
		`insert into heads select $1, org, number, digest, recorded from heads on conflict (org_id) do update set number = 0`,
		`update heads set org_id = $1`,
	} {
		err := db.InOrg(t.Context(), orgA, func(ctx context.Context, tx pgx.Tx) error {
			_, err := tx.Exec(ctx, sql, orgB.UUID)
			return err
		})
		if pg.Code(err) != "42501" {
			t.Errorf("%s: %v, want a breach of the policy", sql, err)
		}
	}
	// Outside of any org there is nothing to see, and across orgs only where each ledger ends.
	for _, table := range []string{"entries", "heads"} {
		var n int
		if err := db.Pool().QueryRow(t.Context(), `select count(*) from `+table).Scan(&n); err != nil || n != 0 {
			t.Errorf("%d rows of %s outside of any org (%v)", n, table, err)
		}
	}
	if err := db.AcrossOrgs(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		var entries, heads int
		if err := tx.QueryRow(ctx, `select (select count(*) from entries), (select count(*) from heads)`).Scan(&entries, &heads); err != nil {
			return err
		}
		if entries != 0 || heads != 2 {
			t.Errorf("across orgs: %d entries, %d heads", entries, heads)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

// Each kind of listing finds its rows through an index, through row-level security too, and reads no more of the ledger than it has
// to: a wrong one would read the 200,000 rows that the table is filled with.
func TestListingsUseIndexes(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	db := d.Open(t, historypg.Schema)
	admin, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(t.Context())) }()
	const total = 200_000
	if _, err := admin.Exec(t.Context(), `
		insert into history.entries (org_id, sequence, entry_id, unit_id, shop, kind, occurred, recorded, corrects, recorder, body, digest)
		select $1, n, gen_random_uuid(), md5((n % 5000)::text)::uuid, 'shop-' || n % 50, case when n % 1000 = 0 then 3 else 1 end,
		       timestamptz '2020-01-01' + n * interval '10 minutes', timestamptz '2020-01-01' + n * interval '10 minutes', null, 'r', '\x01', sha256(n::text::bytea)
		from generate_series(1, $2::int) n`, orgA.UUID, total); err != nil {
		t.Fatal(err)
	}
	if _, err := admin.Exec(t.Context(), `insert into history.heads values ($1, $2, $3, sha256(''), now())`, orgA.UUID, orgA.ID, total); err != nil {
		t.Fatal(err)
	}
	if _, err := admin.Exec(t.Context(), `vacuum analyze history.entries`); err != nil {
		t.Fatal(err)
	}
	day := func(n int) time.Time { return time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, n) }
	for name, q := range map[string]history.Query{
		"everything":             {},
		"a unit":                 {Unit: uuid.MustParse("a87ff679-a2f3-e71d-9181-a67b7542122c")}, // md5 of 4
		"a shop":                 {Shop: "shop-7"},
		"a rare kind":            {Kind: history.KindTest},
		"a kind there is not":    {Kind: history.KindAmendment},
		"usage":                  {Kind: history.KindUsage},
		"recorded on a day":      {RecordedFrom: day(700), RecordedBefore: day(701)},
		"recorded after":         {RecordedFrom: day(1300)},
		"recorded too late":      {RecordedFrom: day(5000)},
		"occurred on a day":      {OccurredFrom: day(700), OccurredBefore: day(701)},
		"occurred after":         {OccurredFrom: day(1300)},
		"occurred before all":    {OccurredBefore: day(-1)},
		"occurred before a week": {OccurredBefore: day(7)},
		"a shop's tests":         {Shop: "shop-0", Kind: history.KindTest, OccurredFrom: day(600)},
		"a unit in a year":       {Unit: uuid.MustParse("a87ff679-a2f3-e71d-9181-a67b7542122c"), OccurredFrom: day(365), OccurredBefore: day(730)},
	} {
		t.Run(name, func(t *testing.T) {
			for _, plan := range historypg.Explain(t, db, orgA, q, 51) {
				var out []struct{ Plan node }
				if err := json.Unmarshal([]byte(plan), &out); err != nil {
					t.Fatal(err)
				}
				if read := out[0].Plan.read(); read > 2000 {
					t.Errorf("reads %v rows:\n%s", read, plan)
				}
			}
		})
	}
}

// node is a step of a plan, as EXPLAIN prints it in JSON.
type node struct {
	Kind    string  `json:"Node Type"`
	Rows    float64 `json:"Actual Rows"`
	Loops   float64 `json:"Actual Loops"`
	Removed float64 `json:"Rows Removed by Filter"`
	Index   string  `json:"Index Name"`
	Fetches float64 `json:"Heap Fetches"`
	Plans   []node
}

// read returns how many rows the scans below read.
func (n node) read() (rows float64) {
	if strings.Contains(n.Kind, "Scan") {
		rows = (n.Rows + n.Removed) * n.Loops
	}
	for _, p := range n.Plans {
		rows += p.read()
	}
	return rows
}

func TestSequenceAt(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	s := historypg.New(d.Open(t, historypg.Schema))
	unit := uuid.New()
	for n := range 9 { // ledgers of 0 to 8 entries
		org := tenant.Must(fmt.Sprint("org-", n))
		if n > 0 {
			fill(t, s, org, unit, n)
		}
		for _, c := range []struct {
			from, before time.Time
			want         int
		}{{at, time.Time{}, n}, {at.Add(1000), time.Time{}, 0}, {time.Time{}, at, 0}, {time.Time{}, at.Add(1000), n}, {at, at, 0}, {at, at.Add(1000), n}} {
			rows, err := s.List(t.Context(), org, history.Query{RecordedFrom: c.from, RecordedBefore: c.before}, 0, 100)
			if err != nil || len(rows) != c.want {
				t.Errorf("%d entries recorded at %v, from %v before %v: %d, want %d (%v)", n, at, c.from, c.before, len(rows), c.want, err)
			}
		}
	}
}
