package pg_test

import (
	"context"
	"fmt"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

// admin runs statements as the admin, also while the test cleans up.
func admin(t *testing.T, d *pgtest.Database, statements ...string) {
	t.Helper()
	ctx := context.WithoutCancel(t.Context())
	conn, err := pgx.Connect(ctx, d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(ctx) }()
	for _, sql := range statements {
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatalf("%s: %v", sql, err)
		}
	}
}

var roles atomic.Int64

// roleName returns a name that no other test has: roles belong to the cluster, which may be shared. What bears the name is
// dropped at the end.
func roleName(t *testing.T, d *pgtest.Database) string {
	t.Helper()
	conf, err := pgx.ParseConfig(d.DSN())
	if err != nil {
		t.Fatal(err)
	}
	name := fmt.Sprintf("%s_r%d", conf.Database, roles.Add(1))
	t.Cleanup(func() {
		admin(t, d, `do $$ begin if exists (select from pg_roles where rolname = '`+name+`') then drop owned by `+name+` cascade; drop role `+name+`; end if; end $$`)
	})
	return name
}

// role makes a role.
func role(t *testing.T, d *pgtest.Database, options string) string {
	t.Helper()
	name := roleName(t, d)
	admin(t, d, `create role `+name+` `+options)
	return name
}

func TestOpenRefusesAMightyRole(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name, options, want string
		of, owns            bool // by way of another role; that it owns a table
	}{
		{"superuser", "superuser", "is a superuser", false, false},
		{"bypass", "bypassrls", "BYPASSRLS", false, false},
		{"owner", "", "owns tables", false, true},
		{"of superuser", "superuser", "is a superuser", true, false},
		{"of bypass", "bypassrls", "BYPASSRLS", true, false},
		{"of owner", "", "owns tables", true, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			d := pgtest.New(t)
			mighty := role(t, d, c.options)
			name := mighty
			if c.of {
				name = role(t, d, "")
				admin(t, d, `grant `+mighty+` to `+name)
			}
			if c.owns {
				admin(t, d, `create schema mine`, `create table mine.t (n int)`, `alter table mine.t owner to `+mighty)
			}
			db, err := pg.Open(t.Context(), pg.Config{DSN: d.DSN(), Role: name, Schema: notes.Name})
			if err == nil {
				db.Close()
				t.Fatal("let in")
			}
			if e := errs.As(err); e == nil || e.Kind != errs.Precondition || !strings.Contains(e.Message, c.want) || e.Meta["role"] != name {
				t.Errorf("got %v, want it to say %q", err, c.want)
			}
		})
	}
	t.Run("the admin", func(t *testing.T) {
		t.Parallel()
		if db, err := pg.Open(t.Context(), pg.Config{DSN: pgtest.New(t).DSN(), Schema: notes.Name}); err == nil {
			db.Close()
			t.Error("let in")
		}
	})
}

func TestOpenActsAsTheRuntimeRole(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: notes.Role, Schema: notes.Name, Application: "here", MaxConns: 1})
	for _, before := range []string{`select 1`, `reset role`, `reset all`} {
		if _, err := db.Pool().Exec(t.Context(), before); err != nil {
			t.Fatal(err)
		}
		var user, path, app string
		if err := db.Pool().QueryRow(t.Context(), `select current_user, current_setting('search_path'), current_setting('application_name')`).Scan(&user, &path, &app); err != nil {
			t.Fatal(err)
		}
		if user != notes.Role || path != "notes, strandline_ext" || app != "here" {
			t.Errorf("after %s: user %s, path %s, application %s", before, user, path, app)
		}
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	d := pgtest.New(t)
	for _, c := range []struct {
		name string
		conf pg.Config
		kind errs.Kind
	}{
		{"dsn", pg.Config{DSN: "postgres://%zz", Schema: "notes"}, errs.Invalid},
		{"nobody there", pg.Config{DSN: "host=" + filepath.Join(t.TempDir(), "none") + " user=x dbname=x", Schema: "notes"}, errs.Unavailable},
		{"role", pg.Config{DSN: d.DSN(), Schema: "notes", Role: "x; drop table notes"}, errs.Internal},
		{"schema", pg.Config{DSN: d.DSN(), Schema: "Notes"}, errs.Internal},
	} {
		db, err := pg.Open(t.Context(), c.conf)
		if err == nil {
			db.Close()
			t.Errorf("%s: let in", c.name)
			continue
		}
		if e := errs.As(err); e == nil || e.Kind != c.kind {
			t.Errorf("%s: got %v", c.name, err)
		}
	}
}

func TestPing(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, notes)
	if err := db.Ping(t.Context()); err != nil {
		t.Error(err)
	}
	db.Close()
	if e := errs.As(db.Ping(t.Context())); e == nil {
		t.Error("a closed pool answers")
	}
}
