// Package historypg stores the ledgers in PostgreSQL: the table of entries, which is only ever added to, and the table of heads,
// whose rows say where each org's ledger ends and put its writers in a queue.
package historypg

import (
	"embed"
	"io/fs"

	"strandline.example/strandline/internal/pg"
)

//go:embed migrations/*.sql
var migrations embed.FS

// Schema is what history keeps in the database.
var Schema = pg.Schema{Name: "history", Role: "strandline_history", Migrations: root()}

func root() fs.FS {
	dir, err := fs.Sub(migrations, "migrations")
	if err != nil {
		panic(err) // the folder is part of the binary
	}
	return dir
}
