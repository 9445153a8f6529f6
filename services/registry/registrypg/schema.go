package registrypg

import (
	"embed"
	"io/fs"

	"strandline.example/strandline/internal/pg"
)

//go:embed migrations/*.sql
var files embed.FS

// Schema is the registry's part of the database.
var Schema = pg.Schema{Name: "registry", Role: "strandline_registry", Migrations: migrations()}

func migrations() fs.FS {
	sub, err := fs.Sub(files, "migrations")
	if err != nil { // cannot happen: the folder is embedded
		return files
	}
	return sub
}
