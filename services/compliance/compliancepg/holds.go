package compliancepg

import (
	"context"
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

const selectManual = `select h.hold_id, h.unit_id, h.reason, h.blocks, h.placed, h.placer, h.lifted, h.lifter, h.lift_reason from holds_manual as h `

func scanManual(row pgx.CollectableRow) (h due.ManualHold, err error) {
	var id uuid.UUID
	var blocks int16
	var lifted *time.Time
	err = row.Scan(&id, &h.Unit, &h.Reason, &blocks, &h.Placed, &h.Placer, &lifted, &h.Lifter, &h.LiftReason)
	h.ID, h.Blocks, h.Placed, h.Lifted = id.String(), due.Use(blocks), h.Placed.UTC(), instantOf(lifted)
	return h, err
}

// readManualHolds returns the holds that people placed on units, by unit, lifted ones too.
func readManualHolds(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) (map[uuid.UUID][]due.ManualHold, error) {
	rows, err := tx.Query(ctx, selectManual+`join `+keys("$2")+` on h.unit_id = k.unit_id where h.org_id = $1 order by h.hold_id`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	holds, err := pgx.CollectRows(rows, scanManual)
	if err != nil || len(holds) == 0 {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]due.ManualHold{}
	for _, h := range holds {
		out[h.Unit] = append(out[h.Unit], h)
	}
	return out, nil
}

// PlaceHold stores a hold. The unit must be in the projection. It joins the transaction in ctx.
func (s *Store) PlaceHold(ctx context.Context, org tenant.Org, h due.ManualHold, change compliance.OwnChange) (p compliance.Position, err error) {
	id, err := uuid.Parse(h.ID)
	if err != nil {
		return p, errs.Field("hold_id", h.ID, "want a UUID")
	}
	name := resname.HoldName(org, h.Unit, h.ID)
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if err := mustExist(ctx, tx, org, h.Unit); err != nil {
			return err
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `insert into holds_manual (org_id, hold_id, unit_id, reason, blocks, placed, placer) values ($1, $2, $3, $4, $5, $6, $7)`,
			org.UUID, id, h.Unit, h.Reason, int16(h.Blocks), h.Placed, h.Placer); err != nil {
			if pg.HasConstraint(err, "holds_manual_pkey") {
				return errs.Taken(name)
			}
			return pg.Err(err)
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		return s.markHeld(ctx, tx, org, h.Unit)
	})
	return p, err
}

// LiftHold lifts a hold that a person placed. It joins the transaction in ctx.
func (s *Store) LiftHold(ctx context.Context, org tenant.Org, unit uuid.UUID, id, reason string, change compliance.OwnChange) (h due.ManualHold, p compliance.Position, err error) {
	name := resname.HoldName(org, unit, id)
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if h, err = readManual(ctx, tx, org, unit, id); err != nil {
			return err
		}
		if !h.Lifted.IsZero() {
			return errs.New(errs.Precondition, "HOLD_LIFTED", "the hold was lifted at "+h.Lifted.Format(time.RFC3339), "hold", name, "liftTime", h.Lifted.Format(time.RFC3339))
		}
		h.Lifted, h.Lifter, h.LiftReason = change.At, change.Actor, reason
		if h.Lifted.Before(h.Placed) {
			h.Lifted = h.Placed // another replica's clock is ahead
		}
		if _, err := tx.Exec(ctx, `update holds_manual set lifted = $3, lifter = $4, lift_reason = $5 where org_id = $1 and hold_id = $2`,
			org.UUID, uuid.MustParse(id), h.Lifted, h.Lifter, h.LiftReason); err != nil {
			return pg.Err(err)
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		return s.markHeld(ctx, tx, org, unit)
	})
	return h, p, err
}

func readManual(ctx context.Context, tx pgx.Tx, org tenant.Org, unit uuid.UUID, id string) (due.ManualHold, error) {
	name := resname.HoldName(org, unit, id)
	key, err := uuid.Parse(id)
	if err != nil || key.String() != id {
		return due.ManualHold{}, errs.Missing(name)
	}
	rows, err := tx.Query(ctx, selectManual+`where h.org_id = $1 and h.hold_id = $2 and h.unit_id = $3`, org.UUID, key, unit)
	if err != nil {
		return due.ManualHold{}, pg.Err(err)
	}
	h, err := pgx.CollectExactlyOneRow(rows, scanManual)
	return h, one(err, name)
}

func mustExist(ctx context.Context, tx pgx.Tx, org tenant.Org, unit uuid.UUID) error {
	var found bool
	err := tx.QueryRow(ctx, `select true from p_units where org_id = $1 and unit_id = $2`, org.UUID, unit).Scan(&found)
	return one(err, resname.UnitName(org, unit))
}
