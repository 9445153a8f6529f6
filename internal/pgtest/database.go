package pgtest

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"strandline.example/strandline/internal/pg"
)

// Database is one test's own database.
type Database struct {
	name, dsn string
}

// New clones the template. The clone is dropped when the test and its subtests have ended.
func New(t testing.TB) *Database {
	t.Helper()
	if the == nil {
		t.Fatal("pgtest.New needs pgtest.Main in the package's TestMain")
	}
	return the.clone(t, the.template)
}

// clone makes a database for a test like another, to which nobody may be connected.
func (c *cluster) clone(t testing.TB, template string) *Database {
	t.Helper()
	d := c.create(t, template)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(t.Context()), time.Minute)
		defer cancel()
		// With force, so that a connection the test left open is its own bug and not everybody's.
		if err := c.exec(ctx, `drop database if exists `+d.name+` with (force)`); err != nil {
			t.Error(err)
		}
	})
	return d
}

func (c *cluster) create(t testing.TB, template string) *Database {
	t.Helper()
	name := fmt.Sprintf("%s_%d", c.prefix, c.count.Add(1))
	if err := c.exec(t.Context(), `create database `+name+` template `+template+c.strategy); err != nil {
		t.Fatal(err)
	}
	dsn, err := withDatabase(c.admin, name)
	if err != nil {
		t.Fatal(err)
	}
	return &Database{name: name, dsn: dsn}
}

// Filled is a template with something in it that takes long to make: it is filled once for all tests of the binary.
type Filled struct {
	fill func(t testing.TB, d *Database)
	once sync.Once
	name string // "" if filling it failed
}

// Fill returns a template that fill fills when the first test asks for a clone. It must leave no connection open, and
// fails with Fatal.
func Fill(fill func(t testing.TB, d *Database)) *Filled { return &Filled{fill: fill} }

// New clones the template. The clone is dropped when the test and its subtests have ended.
func (f *Filled) New(t testing.TB) *Database {
	t.Helper()
	if the == nil {
		t.Fatal("pgtest.Filled needs pgtest.Main in the package's TestMain")
	}
	f.once.Do(func() {
		d := the.create(t, the.template)
		the.mu.Lock()
		the.kept = append(the.kept, d.name)
		the.mu.Unlock()
		f.fill(t, d)
		f.name = d.name
	})
	if f.name == "" {
		t.Fatal("what this test's database is cloned from could not be filled")
	}
	return the.clone(t, f.name)
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
