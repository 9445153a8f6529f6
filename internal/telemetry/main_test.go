package telemetry_test

import (
	"os"
	"testing"
	"testing/fstest"

	"go.uber.org/goleak"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

var schema = pg.Schema{Name: "watched", Role: "strandline_watched", Migrations: fstest.MapFS{
	"00001_units.sql": {Data: []byte(`-- +goose Up
create table units (
  org_id uuid not null,
  serial text not null,
  constraint units_pkey primary key (org_id, serial)
);
alter table units enable row level security;
alter table units force row level security;
create policy org on units using (org_id = nullif(current_setting('strandline.org', true), '')::uuid);
grant select, insert on units to strandline_watched;
`)},
}}

func TestMain(m *testing.M) {
	os.Exit(pgtest.Run(m, func() error { return goleak.Find() }, schema))
}
