package pg

import (
	"context"
	"fmt"
	"io/fs"
	"strconv"

	"github.com/pressly/goose/v3"

	"strandline.example/strandline/internal/errs"
)

// Migrated fails with UNAVAILABLE if the database lacks a migration that s has. A database that is ahead is fine: old
// code runs on a new schema.
func (db *DB) Migrated(ctx context.Context, s Schema) error {
	want, err := newest(s.Migrations)
	if err != nil {
		return errs.New(errs.Internal, "INTERNAL", "read the migrations of "+s.Name).Because(err)
	}
	var have int64
	err = db.pool.QueryRow(ctx, `select coalesce(max(version_id), 0) from `+s.Name+`.`+versionTable+` where is_applied`).Scan(&have)
	switch code := Code(err); {
	case code == "42P01", code == "3F000", code == "42501": // no table, no schema, not granted yet
		have = 0
	case err != nil:
		return Err(err)
	}
	if have < want {
		return errs.New(errs.Unavailable, "UNAVAILABLE", fmt.Sprintf("schema %s is at version %d and needs %d; run strandline migrate", s.Name, have, want),
			"schema", s.Name, "have", strconv.FormatInt(have, 10), "want", strconv.FormatInt(want, 10))
	}
	return nil
}

// newest returns the highest version among the migration files.
func newest(fsys fs.FS) (int64, error) {
	names, err := fs.Glob(fsys, "*.sql")
	if err != nil {
		return 0, err
	}
	var top int64
	for _, n := range names {
		v, err := goose.NumericComponent(n)
		if err != nil {
			return 0, err
		}
		top = max(top, v)
	}
	return top, nil
}
