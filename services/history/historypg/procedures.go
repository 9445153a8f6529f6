package historypg

import (
	"context"
	"crypto/sha256"
	"encoding/binary"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
)

const procedureColumns = `procedure, revision, source, recorder, created`

func scanProcedure(row pgx.CollectableRow) (r history.ProcedureRevision, err error) {
	err = row.Scan(&r.ID, &r.Revision, &r.Source, &r.Recorder, &r.Created)
	r.Created = r.Created.UTC()
	return r, err
}

// LastProcedure returns the number of the last revision of a procedure that the org published; 0 if it published none.
func (s *Store) LastProcedure(ctx context.Context, org tenant.Org, id string) (revision int, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		return pg.Err(tx.QueryRow(ctx, `select coalesce(max(revision), 0) from procedures where org_id = $1 and procedure = $2`, org.UUID, id).Scan(&revision))
	})
	return revision, err
}

// Procedure returns a revision that the org published; ok is false if there is none.
func (s *Store) Procedure(ctx context.Context, org tenant.Org, key history.ProcedureKey) (r history.ProcedureRevision, ok bool, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select `+procedureColumns+` from procedures where org_id = $1 and procedure = $2 and revision = $3`, org.UUID, key.ID, key.Revision)
		if err != nil {
			return pg.Err(err)
		}
		r, err = pgx.CollectExactlyOneRow(rows, scanProcedure)
		ok = err == nil
		if pg.NoRows(err) {
			return nil
		}
		return pg.Err(err)
	})
	return r, ok, err
}

// LastProcedures returns the last revision of each procedure that the org published, by id, from the first id after one on.
func (s *Store) LastProcedures(ctx context.Context, org tenant.Org, after string, limit int) (keys []history.ProcedureKey, err error) {
	err = s.db.ReadOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, `select procedure, max(revision) from procedures where org_id = $1 and procedure > $2 group by procedure order by procedure limit $3`, org.UUID, after, limit)
		if err != nil {
			return pg.Err(err)
		}
		keys, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (k history.ProcedureKey, err error) {
			return k, row.Scan(&k.ID, &k.Revision)
		})
		return pg.Err(err)
	})
	return keys, err
}

// PublishProcedures adds the revisions that decide returns, in one transaction and one publication of the org at a time. Decide is told which revisions of
// those asked for there are, and the last of each of their procedures. It may run again.
func (s *Store) PublishProcedures(ctx context.Context, org tenant.Org, asked []history.ProcedureKey, decide func(have map[history.ProcedureKey]history.ProcedureRevision, last map[string]int) ([]history.ProcedureRevision, error)) error {
	ids, revisions := make([]string, len(asked)), make([]int32, len(asked))
	for i, k := range asked {
		ids[i], revisions[i] = k.ID, int32(k.Revision)
	}
	return s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select pg_advisory_xact_lock($1)`, proceduresLock(org)); err != nil {
			return pg.Err(err)
		}
		rows, err := tx.Query(ctx, `select `+procedureColumns+` from procedures
			where org_id = $1 and (procedure, revision) in (select * from unnest($2::text[], $3::int[]))`, org.UUID, ids, revisions)
		if err != nil {
			return pg.Err(err)
		}
		found, err := pgx.CollectRows(rows, scanProcedure)
		if err != nil {
			return pg.Err(err)
		}
		have := make(map[history.ProcedureKey]history.ProcedureRevision, len(found))
		for _, r := range found {
			have[r.ProcedureKey] = r
		}
		rows, err = tx.Query(ctx, `select procedure, max(revision) from procedures where org_id = $1 and procedure = any($2) group by procedure`, org.UUID, ids)
		if err != nil {
			return pg.Err(err)
		}
		last := map[string]int{}
		var id string
		var revision int
		if _, err := pgx.ForEachRow(rows, []any{&id, &revision}, func() error { last[id] = revision; return nil }); err != nil {
			return pg.Err(err)
		}
		add, err := decide(have, last)
		if err != nil {
			return err
		}
		for _, r := range add {
			if _, err := tx.Exec(ctx, `insert into procedures (org_id, `+procedureColumns+`) values ($1, $2, $3, $4, $5, $6)`,
				org.UUID, r.ID, r.Revision, r.Source, r.Recorder, r.Created); err != nil {
				return pg.Err(err)
			}
		}
		return nil
	})
}

// proceduresLock names the org's publishing among the database's advisory locks.
func proceduresLock(org tenant.Org) int64 {
	h := sha256.New()
	h.Write([]byte("strandline procedures"))
	h.Write(org.UUID[:])
	return int64(binary.BigEndian.Uint64(h.Sum(nil)))
}
