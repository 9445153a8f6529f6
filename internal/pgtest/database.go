package pgtest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"strandline.example/strandline/internal/pg"
)

// Database is one test's own database.
type Database struct {
	dsn string
}

// New clones the template. The clone is dropped when the test and its subtests have ended.
func New(t testing.TB) *Database {
	t.Helper()
	if the == nil {
		t.Fatal("pgtest.New needs pgtest.Main in the package's TestMain")
	}
	c := the
	name := fmt.Sprintf("%s_%d", c.prefix, c.count.Add(1))
	if err := c.exec(t.Context(), `create database `+name+` template `+c.template); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), time.Minute)
		defer cancel()
		// With force, so that a connection the test left open is its own bug and not everybody's.
		if err := c.exec(ctx, `drop database if exists `+name+` with (force)`); err != nil {
			t.Error(err)
		}
	})
	dsn, err := withDatabase(c.admin, name)
	if err != nil {
		t.Fatal(err)
	}
	return &Database{dsn: dsn}
}

// DSN returns the admin's connection string: what it does is not bound by row-level security.
func (d *Database) DSN() string { return d.dsn }

// Open returns a pool as the schema's runtime role, as a service has it. It is closed when the test has ended.
func (d *Database) Open(t testing.TB, s pg.Schema) *pg.DB {
	t.Helper()
	return d.OpenWith(t, pg.Config{Role: s.Role, Schema: s.Name})
}

// OpenWith is Open with settings of one's own; the DSN is filled in.
func (d *Database) OpenWith(t testing.TB, c pg.Config) *pg.DB {
	t.Helper()
	c.DSN = d.dsn
	if c.Application == "" {
		c.Application = "pgtest"
	}
	db, err := pg.Open(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(db.Close)
	return db
}
