package compliancepg

import (
	"context"
	"crypto/sha256"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Recalling returns the store with what reads the recalls in it, which are stored as the bytes they were opened as.
func (s *Store) Recalling(decode func(body []byte) (due.Recall, error)) *Store {
	s.recalls.decode = decode
	return s
}

// recallCache keeps decoded recalls by the digest of what they say, which never changes.
type recallCache struct {
	decode func(body []byte) (due.Recall, error)

	mu   sync.Mutex
	kept map[[sha256.Size]byte]due.Recall
}

// cachedRecalls bounds the cache; it is emptied when full.
const cachedRecalls = 1024

func (c *recallCache) get(digest []byte) (r due.Recall, ok bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	r, ok = c.kept[[sha256.Size]byte(digest)]
	return r, ok
}

func (c *recallCache) read(r *compliance.RecallRecord) (due.Recall, error) {
	if c.decode == nil {
		return due.Recall{}, errs.New(errs.Internal, "INTERNAL", "this store cannot read recalls", "recall", r.ID)
	}
	d, err := c.decode(r.Body)
	if err != nil {
		return due.Recall{}, errs.New(errs.Internal, "INTERNAL", "a stored recall cannot be read", "recall", r.ID).Because(err)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.kept == nil || len(c.kept) >= cachedRecalls {
		c.kept = map[[sha256.Size]byte]due.Recall{}
	}
	c.kept[sha256.Sum256(r.Body)] = d
	return d, nil
}

// readRecalls returns every recall of the org as it stands.
func (s *Store) readRecalls(ctx context.Context, tx pgx.Tx, org tenant.Org) ([]due.Recall, error) {
	rows, err := tx.Query(ctx, `select recall, digest, opened, withdrawn, ended, ender, end_reason from recalls where org_id = $1 order by recall`, org.UUID)
	if err != nil {
		return nil, pg.Err(err)
	}
	type kept struct {
		r      compliance.RecallRecord
		digest []byte
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (k kept, err error) {
		var ended *time.Time
		err = row.Scan(&k.r.ID, &k.digest, &k.r.Opened, &k.r.Withdrawn, &ended, &k.r.Ender, &k.r.EndReason)
		k.r.Opened, k.r.Ended = k.r.Opened.UTC(), instantOf(ended)
		return k, err
	})
	if err != nil || len(all) == 0 {
		return nil, pg.Err(err)
	}
	out := make([]due.Recall, len(all))
	for i := range all {
		d, ok := s.recalls.get(all[i].digest)
		if !ok {
			r, err := readRecall(ctx, tx, org, all[i].r.ID)
			if err != nil {
				return nil, err
			}
			if d, err = s.recalls.read(&r); err != nil {
				return nil, err
			}
		}
		out[i] = all[i].r.Standing(d)
	}
	return out, nil
}

const selectRecall = `select r.recall, r.body, r.releasable, r.opened, r.opener, r.withdrawn, r.ended, r.ender, r.end_reason from recalls as r `

func scanRecall(row pgx.CollectableRow) (r compliance.RecallRecord, err error) {
	var ended *time.Time
	err = row.Scan(&r.ID, &r.Body, &r.Releasable, &r.Opened, &r.Opener, &r.Withdrawn, &ended, &r.Ender, &r.EndReason)
	r.Opened, r.Ended = r.Opened.UTC(), instantOf(ended)
	return r, err
}

func readRecall(ctx context.Context, tx pgx.Tx, org tenant.Org, id string) (compliance.RecallRecord, error) {
	rows, err := tx.Query(ctx, selectRecall+`where r.org_id = $1 and r.recall = $2`, org.UUID, id)
	if err != nil {
		return compliance.RecallRecord{}, pg.Err(err)
	}
	r, err := pgx.CollectExactlyOneRow(rows, scanRecall)
	return r, one(err, resname.RecallName(org, id))
}

// readReleases returns from which recalls units were released, by unit.
func readReleases(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) (map[uuid.UUID][]due.Release, error) {
	rows, err := tx.Query(ctx, `select l.recall, l.unit_id, l.released, l.releaser, l.reason from recall_releases as l join `+keys("$2")+` on l.unit_id = k.unit_id where l.org_id = $1`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (l due.Release, err error) {
		err = row.Scan(&l.Recall, &l.Unit, &l.Released, &l.Releaser, &l.Reason)
		l.Released = l.Released.UTC()
		return l, err
	})
	if err != nil || len(all) == 0 {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]due.Release{}
	for _, l := range all {
		out[l.Unit] = append(out[l.Unit], l)
	}
	return out, nil
}

// OpenRecall stores a recall and derives again the units of the kinds, or with parts of the lots, that it is about, in one transaction: no unit that it covers is handed out
// after it. It returns what the recall holds, and joins the transaction in ctx.
func (s *Store) OpenRecall(ctx context.Context, org tenant.Org, r compliance.RecallRecord, d due.Recall, change compliance.OwnChange) (now compliance.RecallProgress, p compliance.Position, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		digest := sha256.Sum256(r.Body)
		if _, err := tx.Exec(ctx, `insert into recalls (org_id, recall, body, digest, releasable, opened, opener) values ($1, $2, $3, $4, $5, $6, $7)`,
			org.UUID, r.ID, r.Body, digest[:], r.Releasable, r.Opened, r.Opener); err != nil {
			if pg.HasConstraint(err, "recalls_pkey") {
				return errs.Taken(resname.RecallName(org, r.ID))
			}
			return pg.Err(err)
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		var kinds []string // nil for every kind
		if len(d.Scope.Kinds) > 0 {
			kinds = d.Scope.Kinds
		}
		if err := s.recomputeCovered(ctx, tx, org, kinds, d.Lots); err != nil {
			return err
		}
		now, err = progress(ctx, tx, org, r.ID, r.Opened)
		return err
	})
	return now, p, err
}

// EndRecall closes or withdraws a recall, once. One that holds units of the fleet cannot be closed; a withdrawn one holds none any more. It
// joins the transaction in ctx.
func (s *Store) EndRecall(ctx context.Context, org tenant.Org, id string, withdraw bool, reason string, change compliance.OwnChange) (r compliance.RecallRecord, p compliance.Position, err error) {
	name := resname.RecallName(org, id)
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		if r, err = readRecall(ctx, tx, org, id); err != nil {
			return err
		}
		if r.Withdrawn || !r.Ended.IsZero() && !withdraw {
			how := "closed"
			if r.Withdrawn {
				how = "withdrawn"
			}
			at := r.Ended.Format(time.RFC3339)
			return errs.New(errs.Precondition, "RECALL_ENDED", "the recall was "+how+" at "+at, "recall", name, "endTime", at)
		}
		r.Withdrawn, r.Ended, r.Ender, r.EndReason = withdraw, change.At, change.Actor, reason
		if r.Ended.Before(r.Opened) {
			r.Ended = r.Opened // another replica's clock is ahead
		}
		if !withdraw {
			held, err := progress(ctx, tx, org, id, change.At)
			if err != nil {
				return err
			}
			if err := compliance.CheckClose(name, held); err != nil {
				return err
			}
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `update recalls set withdrawn = $3, ended = $4, ender = $5, end_reason = $6 where org_id = $1 and recall = $2`,
			org.UUID, id, r.Withdrawn, r.Ended, r.Ender, r.EndReason); err != nil {
			return pg.Err(err)
		}
		if p, err = position(ctx, tx, org); err != nil || !withdraw {
			return err
		}
		units, err := held(ctx, tx, org, id)
		if err != nil {
			return err
		}
		return s.recompute(ctx, tx, org, units)
	})
	return r, p, err
}

// held returns the units that have a hold of a recall, lifted or not.
func held(ctx context.Context, tx pgx.Tx, org tenant.Org, id string) ([]uuid.UUID, error) {
	rows, err := tx.Query(ctx, `select unit_id from unit_holds where org_id = $1 and hold_id = $2 and cause = 7 order by unit_id`, org.UUID, due.RecallHold(id))
	if err != nil {
		return nil, pg.Err(err)
	}
	units, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return units, pg.Err(err)
}

// ReleaseRecalled lets a unit off a recall that holds it, and derives it again. It joins the transaction in ctx.
func (s *Store) ReleaseRecalled(ctx context.Context, org tenant.Org, l due.Release, change compliance.OwnChange) (u compliance.RecalledUnit, p compliance.Position, err error) {
	name := resname.RecallName(org, l.Recall)
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		r, err := readRecall(ctx, tx, org, l.Recall)
		if err != nil {
			return err
		}
		if u, err = recalledUnit(ctx, tx, org, l.Recall, l.Unit, change.At); err != nil {
			return err
		}
		if err := compliance.CheckRelease(name, &r, &u); err != nil {
			return err
		}
		if l.Released.Before(r.Opened) {
			l.Released = r.Opened
		}
		if _, err := tx.Exec(ctx, `insert into recall_releases (org_id, unit_id, recall, released, releaser, reason) values ($1, $2, $3, $4, $5, $6)`,
			org.UUID, l.Unit, l.Recall, l.Released, l.Releaser, l.Reason); err != nil {
			if pg.HasConstraint(err, "recall_releases_pkey") { // by a replica whose clock is ahead
				return compliance.NotHeld(name, &u)
			}
			return pg.Err(err)
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		if err := s.recompute(ctx, tx, org, []uuid.UUID{l.Unit}); err != nil {
			return err
		}
		u, err = recalledUnit(ctx, tx, org, l.Recall, l.Unit, l.Released)
		return err
	})
	return u, p, err
}
