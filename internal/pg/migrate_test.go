package pg_test

import (
	"fmt"
	"net/url"
	"strings"
	"sync"
	"testing"
	"testing/fstest"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// fresh returns a schema with so many migrations, whose role nobody else has.
func fresh(t *testing.T, d *pgtest.Database, migrations int) pg.Schema {
	t.Helper()
	s := pg.Schema{Name: "deck", Role: roleName(t, d)}
	fsys := fstest.MapFS{}
	for i := 1; i <= migrations; i++ {
		fsys[fmt.Sprintf("%05d_step.sql", i)] = &fstest.MapFile{Data: fmt.Appendf(nil, `-- +goose Up
create table step%[1]d (org_id uuid not null, constraint step%[1]d_pkey primary key (org_id));
grant select on step%[1]d to %[2]s;
-- +goose Down
drop table step%[1]d;
`, i, s.Role)}
	}
	s.Migrations = fsys
	return s
}

func tablesOf(t *testing.T, d *pgtest.Database, schema string) (names []string) {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if err := conn.QueryRow(t.Context(), `select coalesce(array_agg(tablename::text order by tablename), '{}') from pg_tables where schemaname = $1`, schema).Scan(&names); err != nil {
		t.Fatal(err)
	}
	return names
}

func TestMigrateFromManyAtOnce(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	s := fresh(t, d, 5)
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			if err := pg.Migrate(t.Context(), d.DSN(), s); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := strings.Join(tablesOf(t, d, s.Name), " "); got != "goose_version step1 step2 step3 step4 step5" {
		t.Errorf("got %s", got)
	}
}

// Roles belong to the cluster: databases that are migrated at once make the same ones.
func TestMigrateSeveralDatabasesAtOnce(t *testing.T) {
	t.Parallel()
	first := pgtest.New(t)
	s := fresh(t, first, 1)
	var wg sync.WaitGroup
	for _, d := range []*pgtest.Database{first, pgtest.New(t), pgtest.New(t), pgtest.New(t)} {
		for range 2 {
			wg.Go(func() {
				if err := pg.Migrate(t.Context(), d.DSN(), s); err != nil {
					t.Error(err)
				}
			})
		}
	}
	wg.Wait()
}

func TestMigrateGoesOnFromWhereItWas(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	old := fresh(t, d, 2)
	if err := pg.Migrate(t.Context(), d.DSN(), old); err != nil {
		t.Fatal(err)
	}
	db := d.Open(t, old)
	if err := db.Migrated(t.Context(), old); err != nil {
		t.Error(err)
	}
	next := old
	next.Migrations = fstest.MapFS{}
	for name, f := range old.Migrations.(fstest.MapFS) {
		next.Migrations.(fstest.MapFS)[name] = f
	}
	next.Migrations.(fstest.MapFS)["00003_more.sql"] = &fstest.MapFile{Data: []byte("-- +goose Up\ncreate table more (org_id uuid primary key);\n")}
	e := errs.As(db.Migrated(t.Context(), next))
	if e == nil || e.Kind != errs.Unavailable || e.Meta["have"] != "2" || e.Meta["want"] != "3" {
		t.Errorf("a schema that is behind: %v", e)
	}
	for range 2 { // once to do it, once with nothing to do
		if err := pg.Migrate(t.Context(), d.DSN(), next); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Migrated(t.Context(), next); err != nil {
		t.Error(err)
	}
	if err := db.Migrated(t.Context(), old); err != nil {
		t.Errorf("old code on a new schema: %v", err)
	}
}

func TestAFailedMigrationLeavesNothingAndSaysWhy(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	s := fresh(t, d, 1)
	s.Migrations.(fstest.MapFS)["00002_bad.sql"] = &fstest.MapFile{Data: []byte("-- +goose Up\ncreate table half (org_id uuid primary key);\nselect no_such_function();\n")}
	err := pg.Migrate(t.Context(), d.DSN(), s)
	if err == nil || !strings.Contains(err.Error(), "no_such_function") || errs.As(err).Kind != errs.Internal {
		t.Errorf("got %v", err)
	}
	if got := strings.Join(tablesOf(t, d, s.Name), " "); got != "goose_version step1" {
		t.Errorf("got %s", got)
	}
}

func TestADatabaseThatWasNeverMigratedIsBehind(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	s := fresh(t, d, 1)
	db := d.Open(t, notes)
	if e := errs.As(db.Migrated(t.Context(), s)); e == nil || e.Kind != errs.Unavailable || e.Meta["have"] != "0" {
		t.Errorf("got %v", e)
	}
}

// Not every installation gives us a superuser: an admin that may make roles, and schemas in its database, is enough.
// btree_gist is a trusted extension (PostgreSQL manual, appendix F).
func TestMigrateAsAnAdminThatIsNoSuperuser(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	name := role(t, d, "login createrole password 'deck'")
	conn, err := pgx.Connect(t.Context(), d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	database := conn.Config().Database
	admin(t, d, `grant create on database `+database+` to `+name, `drop extension if exists btree_gist cascade`, `drop schema strandline_ext`)
	s := fresh(t, d, 2)
	dsn := (&url.URL{Scheme: "postgres", User: url.UserPassword(name, "deck"), Path: "/" + database,
		RawQuery: url.Values{"host": {conn.Config().Host}, "port": {fmt.Sprint(conn.Config().Port)}, "sslmode": {"prefer"}}.Encode()}).String()
	if err := pg.Migrate(t.Context(), dsn, s); err != nil {
		t.Fatal(err)
	}
	db, err := pg.Open(t.Context(), pg.Config{DSN: dsn, Role: s.Role, Schema: s.Name})
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if err := db.Migrated(t.Context(), s); err != nil {
		t.Error(err)
	}
}

func TestMigrateRefusesOddNames(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	for _, s := range []pg.Schema{{Name: "a b", Role: "x"}, {Name: "a", Role: "x'y"}, {Name: "", Role: "x"}, {Name: "a"}} {
		if err := pg.Migrate(t.Context(), d.DSN(), s); err == nil {
			t.Errorf("%q as %q was made", s.Name, s.Role)
		}
	}
}

func TestTheNotesSchemaIsTenantSafe(t *testing.T) {
	t.Parallel()
	pgtest.CheckTenancy(t, pgtest.New(t), notes)
}
