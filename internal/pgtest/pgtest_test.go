package pgtest_test

import (
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// gear is a schema that is as it should be; the tests break copies of it.
var gear = pg.Schema{Name: "gear", Role: "strandline_gear", Migrations: fstest.MapFS{"00001_gear.sql": {Data: []byte(`-- +goose Up
create table units (
    org_id  uuid not null,
    unit_id uuid not null,
    tag     text not null,
    constraint units_pkey primary key (org_id, unit_id),
    constraint units_tag_key unique (org_id, tag)
);
create table fittings (
    org_id     uuid      not null,
    fitting_id uuid      not null,
    unit_id    uuid      not null,
    during     tstzrange not null,
    constraint fittings_pkey primary key (org_id, fitting_id),
    constraint fittings_unit_fkey foreign key (org_id, unit_id) references units (org_id, unit_id),
    constraint fittings_no_overlap exclude using gist (org_id with =, unit_id with =, during with &&)
);
create table heads (
    org_id uuid   not null,
    number bigint not null,
    constraint heads_pkey primary key (org_id)
);
create index fittings_unit_idx on fittings (org_id, unit_id);
alter table units enable row level security;
alter table units force row level security;
create policy org on units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table fittings enable row level security;
alter table fittings force row level security;
create policy org on fittings using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
alter table heads enable row level security;
alter table heads force row level security;
create policy org on heads using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
create policy across on heads for select using (current_setting('strandline.across', true) = 'heads');
grant select, insert, update on units, heads to strandline_gear;
grant select, insert on fittings to strandline_gear;
`)}}}

func TestMain(m *testing.M) { pgtest.Main(m, gear) }

func run(t *testing.T, dsn, sql string) error {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), dsn)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	_, err = conn.Exec(t.Context(), sql)
	return err
}

func TestASchemaAsItShouldBeHasNoFault(t *testing.T) {
	t.Parallel()
	pgtest.CheckTenancy(t, pgtest.New(t), gear)
}

// Every check finds what it is for: a schema broken in one way has that fault.
func TestEveryFaultIsFound(t *testing.T) {
	t.Parallel()
	const fresh = `org_id uuid not null, n bigint not null`
	secure := func(table string) string {
		return `; alter table gear.` + table + ` enable row level security; alter table gear.` + table + ` force row level security;
			create policy org on gear.` + table + ` using (org_id = nullif(current_setting('strandline.org', true), '')::uuid)`
	}
	for _, c := range []struct{ name, give, want string }{
		{"no org", `create table gear.x (n bigint primary key)`, `x has no column org_id uuid not null`},
		{"org may be null", `create table gear.x (org_id uuid unique, n bigint)`, `x has no column org_id uuid not null`},
		{"org is text", `create table gear.x (org_id text primary key)`, `x has no column org_id uuid not null`},
		{"no primary key", `create table gear.x (` + fresh + `)`, `x has no primary key`},
		{"primary key", `create table gear.x (` + fresh + `, primary key (n, org_id))`, `x.x_pkey does not start with org_id`},
		{"unique", `alter table gear.units add constraint units_bare_key unique (tag)`, `units.units_bare_key does not start with org_id`},
		{"exclusion", `alter table gear.fittings add constraint fittings_bare exclude using gist (unit_id with =, during with &&)`, `fittings.fittings_bare does not start with org_id`},
		{"exclusion of others", `alter table gear.fittings add constraint fittings_odd exclude using gist (org_id with <>, unit_id with =)`, `fittings.fittings_odd excludes other than equal orgs`},
		{"foreign key", `alter table gear.fittings add constraint fittings_odd_fkey foreign key (unit_id, org_id) references gear.units (unit_id, org_id)`, `fittings.fittings_odd_fkey does not start with org_id`},
		{"target key", `alter table gear.units add constraint units_odd_key unique (unit_id, org_id); alter table gear.fittings add constraint fittings_odd_fkey foreign key (unit_id, org_id) references gear.units (unit_id, org_id)`, `fittings.fittings_odd_fkey points at a key that does not start with org_id`},
		{"cascade", `alter table gear.fittings add constraint fittings_more_fkey foreign key (org_id, unit_id) references gear.units on delete cascade`, `fittings.fittings_more_fkey changes rows of its own accord (on delete or on update)`},
		{"other schema", `create schema far; create table far.y (org_id uuid primary key); alter table gear.units add constraint units_far_fkey foreign key (org_id) references far.y`, `units.units_far_fkey points into another schema`},
		{"not valid", `alter table gear.units add constraint units_tag_check check (tag <> '') not valid`, `units.units_tag_check is not validated`},
		{"index", `create index odd_idx on gear.units (tag)`, `units.odd_idx is an index that does not start with org_id`},
		{"index on an expression", `create index odd_idx on gear.units (lower(tag))`, `units.odd_idx is an index that does not start with org_id`},
		{"deferrable", `alter table gear.units add constraint units_late_key unique (org_id, unit_id, tag) deferrable`, `units.units_late_key is deferrable`},
		{"security off", `alter table gear.units disable row level security`, `units has no row-level security`},
		{"owner free", `alter table gear.units no force row level security`, `units does not force row-level security on its owner`},
		{"no policy", `drop policy org on gear.units`, `units has no policy of the org for every command`},
		{"open policy", `create policy everybody on gear.units using (true)`, `units.everybody is a policy that is neither the org's nor the one across orgs for select`},
		{"open check", `drop policy org on gear.units; create policy org on gear.units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid) with check (true)`, `units.org is a policy that is neither the org's nor the one across orgs for select`},
		{"across may write", `create policy wide on gear.heads for update using (current_setting('strandline.across', true) = 'heads')`, `heads.wide is a policy that is neither the org's nor the one across orgs for select`},
		{"across elsewhere", `create policy across on gear.units for select using (current_setting('strandline.across', true) = 'heads')`, `units lets a look across orgs in, and is neither heads nor orgs`},
		{"trigger", `create trigger touch before update on gear.units for each row execute function suppress_redundant_updates_trigger()`, `units.touch is a trigger`},
		{"rule", `create rule quiet as on delete to gear.units do instead nothing`, `units.quiet is a rule`},
		{"identity", `create table gear.x (` + fresh + `, i int generated always as identity, constraint x_pkey primary key (org_id, n))` + secure("x"), `x.i is an identity column`},
		{"serial", `create table gear.x (` + fresh + `, i serial, constraint x_pkey primary key (org_id, n))` + secure("x"), `x.i calls a sequence`},
		{"sequence", `create sequence gear.s`, `s is a sequence, view, materialized view or foreign table`},
		{"view", `create view gear.v as select 1 as one`, `v is a sequence, view, materialized view or foreign table`},
		{"function", `create function gear.f() returns int language sql as 'select 1'`, `f is a function or procedure`},
		{"truncate", `grant truncate on gear.units to strandline_gear`, `truncate on units may be done by the runtime role`},
		{"version table", `grant insert on gear.goose_version to strandline_gear`, `insert on goose_version may be done by the runtime role`},
		{"create", `grant create on schema gear to strandline_gear`, `create in the schema may be done by the runtime role`},
		{"public", `grant select on gear.units to public`, `units (by public) may be got at by others than the owner and the runtime role`},
		{"grant option", `grant select on gear.units to strandline_gear with grant option`, `units may be granted on by the runtime role`},
		{"owner", `grant create on schema gear to strandline_gear; alter table gear.units owner to strandline_gear`, `units is owned by the runtime role`},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			if err := run(t, db.DSN(), c.give); err != nil {
				t.Fatal(err)
			}
			faults, err := pgtest.TenancyFaults(t.Context(), db.DSN(), gear)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range faults {
				if f == "schema gear: "+c.want {
					return
				}
			}
			t.Errorf("want %q among\n%s", c.want, strings.Join(faults, "\n"))
		})
	}
}

func TestAnEmptySchemaIsAFault(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	faults, err := pgtest.TenancyFaults(t.Context(), db.DSN(), pg.Schema{Name: "nothing", Role: "strandline_nobody"})
	if err != nil {
		t.Fatal(err)
	}
	if len(faults) != 1 || faults[0] != "schema nothing: strandline_nobody does not exist" {
		t.Errorf("got %q", faults)
	}
	faults, err = pgtest.TenancyFaults(t.Context(), db.DSN(), pg.Schema{Name: "nothing", Role: gear.Role})
	if err != nil {
		t.Fatal(err)
	}
	if len(faults) != 1 || faults[0] != "schema nothing: nothing has no table: nothing was checked" {
		t.Errorf("got %q", faults)
	}
}

func TestClonesAreApart(t *testing.T) {
	t.Parallel()
	a, b := pgtest.New(t), pgtest.New(t)
	const one = `insert into gear.units values (gen_random_uuid(), gen_random_uuid(), 'R-1')`
	if err := run(t, a.DSN(), one); err != nil {
		t.Fatal(err)
	}
	if err := run(t, b.DSN(), `do $$ begin assert (select count(*) = 0 from gear.units); end $$`); err != nil {
		t.Error(err)
	}
}

// Several tests may ask for their database at once.
func TestClonesAtOnce(t *testing.T) {
	t.Parallel()
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			db := pgtest.New(t)
			if err := run(t, db.DSN(), `insert into gear.units values (gen_random_uuid(), gen_random_uuid(), 'R-1')`); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
}

func TestACloneIsDroppedWithWhatIsOpenInIt(t *testing.T) {
	t.Parallel()
	var inner *pgtest.Database
	var left *pgx.Conn
	t.Run("uses", func(t *testing.T) {
		inner = pgtest.New(t)
		inner.Open(t, gear)
		var err error
		if left, err = pgx.Connect(t.Context(), inner.DSN()); err != nil {
			t.Fatal(err)
		}
	})
	defer func() { _ = left.Close(t.Context()) }()
	conn, err := pgx.Connect(t.Context(), inner.DSN())
	if err == nil {
		_ = conn.Close(t.Context())
		t.Fatal("the database is still there")
	}
	if pg.Code(err) != "3D000" { // invalid_catalog_name
		t.Errorf("got %v", err)
	}
}

// The tests of a package can run on a server that is there already, and leave nothing on it.
func TestOnAnotherServer(t *testing.T) {
	if os.Getenv("STRANDLINE_PGTEST_INNER") != "" {
		return // this is the inner run
	}
	t.Parallel()
	db := pgtest.New(t)
	cmd := innerRun(t, "TestClonesAreApart", "STRANDLINE_DSN="+db.DSN())
	if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: TestClonesAreApart") {
		t.Fatalf("%v\n%s", err, out)
	}
	conn, err := pgx.Connect(t.Context(), db.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	var left []string
	// The inner run's names are of its own; ours start with our clone's name up to the counter.
	own := conn.Config().Database[:strings.LastIndex(conn.Config().Database, "_")]
	if err := conn.QueryRow(t.Context(), `select coalesce(array_agg(datname), '{}') from pg_database
		where datname like 'strandline\_test\_%' and not starts_with(datname, $1)`, own).Scan(&left); err != nil {
		t.Fatal(err)
	}
	if os.Getenv("STRANDLINE_DSN") == "" && len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

func TestWithoutBinariesTheTestsFailAndSayWhy(t *testing.T) {
	t.Parallel()
	cmd := innerRun(t, "TestClonesAreApart", "STRANDLINE_DSN=", "STRANDLINE_PG_BIN="+t.TempDir())
	out, err := cmd.CombinedOutput()
	if err == nil {
		t.Fatalf("the tests passed:\n%s", out)
	}
	for _, want := range []string{"STRANDLINE_PG_BIN", "apt-get install postgresql", "STRANDLINE_DSN"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("no %s in:\n%s", want, out)
		}
	}
}

func TestAServerOfThisBinaryIsGoneAfterwards(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	cmd := innerRun(t, "TestClonesAreApart", "STRANDLINE_DSN=", "TMPDIR="+dir)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	left, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(left) > 0 {
		t.Errorf("left behind: %v", fmt.Sprint(left))
	}
}
