package pg_test

import (
	"embed"
	"io/fs"
	"testing"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
)

//go:embed testdata/notes/*.sql
var migrations embed.FS

// notes is a small schema that only these tests have.
var notes = pg.Schema{Name: "notes", Role: "strandline_notes", Migrations: sub("testdata/notes")}

func sub(dir string) fs.FS {
	f, err := fs.Sub(migrations, dir)
	if err != nil {
		panic(err)
	}
	return f
}

func TestMain(m *testing.M) { pgtest.Main(m, notes) }
