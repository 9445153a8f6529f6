package main

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/pgtest"
)

// place is where a test's commands keep what they know: a data folder, and a database of its own in the PostgreSQL that the tests share. Each
// command starts all services in this process, and stops them. What starts a private PostgreSQL in the data folder is tested by TestServe,
// TestDemo and TestReadme.
type place struct{ data, dsn string }

func newPlace(t testing.TB) place {
	t.Helper()
	return place{t.TempDir(), pgtest.New(t).DSN()}
}

// flags say where, for every command.
func (p place) flags() []string { return []string{"--data", p.data, "--dsn", p.dsn} }

// env says where, with more of an environment.
func (p place) env(more ...string) []string {
	return append(more, "STRANDLINE_DATA="+p.data, "STRANDLINE_DSN="+p.dsn)
}

// demoBegin is when the demo of [demoPlace] was brought in.
var demoBegin = time.Date(2026, 11, 21, 8, 0, 0, 0, time.UTC)

var demoDatabase = pgtest.Fill(func(t testing.TB, d *pgtest.Database) {
	demoAt(t, demoBegin, place{t.TempDir(), d.DSN()}.flags()...)
})

// demoPlace is a place of one's own with the demo in it.
func demoPlace(t testing.TB) place {
	t.Helper()
	return place{t.TempDir(), demoDatabase.New(t).DSN()}
}
