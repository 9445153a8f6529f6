package compliancepg

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// Complete notes that everything a source had acknowledged by an instant of its clock was applied. Of that clock and this service's the earlier
// one counts, and the last note stands whether or not it is later: no clock that ran ahead once may vouch for what came after.
func (s *Store) Complete(ctx context.Context, org tenant.Org, source compliance.Source, at time.Time) error {
	if now := s.clock.Now(); now.Before(at) {
		at = now
	}
	return s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, `update cursors set complete = $3 where org_id = $1 and source = $2`, org.UUID, source, at)
		return pg.Err(err)
	})
}

// complete returns until when everything that both sources had acknowledged is in the snapshot, at least; zero if nobody can say.
func (r *Reader) complete(ctx context.Context) (time.Time, error) {
	var sources int
	var at *time.Time
	err := r.tx.QueryRow(ctx, `select count(complete), min(complete) from cursors where org_id = $1`, r.org.UUID).Scan(&sources, &at)
	if err != nil || sources < 2 {
		return time.Time{}, pg.Err(err)
	}
	return instantOf(at), nil
}
