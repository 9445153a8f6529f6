package compliancepg

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

const selectWaiver = `select w.waiver_id, w.unit_id, w.pack, w.rule, w.first_day, w.last_day, w.signer, w.reason, w.granted, w.granter, w.revoked, w.revoker,
	w.revoke_reason from waivers as w `

func scanWaiver(row pgx.CollectableRow) (w due.Waiver, err error) {
	var id uuid.UUID
	var from, to time.Time
	var revoked *time.Time
	err = row.Scan(&id, &w.Unit, &w.Pack, &w.Rule, &from, &to, &w.Signer, &w.Reason, &w.Granted, &w.Granter, &revoked, &w.Revoker, &w.RevokeReason)
	w.ID, w.From, w.To = id.String(), civil.In(from, time.UTC), civil.In(to, time.UTC)
	w.Granted, w.Revoked = w.Granted.UTC(), instantOf(revoked)
	return w, err
}

// readWaivers returns the waivers of units, by unit, ended and revoked ones too.
func readWaivers(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) (map[uuid.UUID][]due.Waiver, error) {
	rows, err := tx.Query(ctx, selectWaiver+`join `+keys("$2")+` on w.unit_id = k.unit_id where w.org_id = $1 order by w.waiver_id`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, scanWaiver)
	if err != nil || len(all) == 0 {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]due.Waiver{}
	for _, w := range all {
		out[w.Unit] = append(out[w.Unit], w)
	}
	return out, nil
}

// GrantWaiver checks and stores a waiver whose first day is from, or the day it is granted at the unit's shop for none, and derives
// the unit's rows again. The unit must be in the projection. It joins the transaction in ctx.
func (s *Store) GrantWaiver(ctx context.Context, org tenant.Org, w due.Waiver, from civil.Mark, change compliance.OwnChange) (due.Waiver, compliance.Position, error) {
	var p compliance.Position
	id, err := uuid.Parse(w.ID)
	if err != nil {
		return w, p, errs.Field("waiver_id", w.ID, "want a UUID")
	}
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		var f facts
		if err := f.loadUnits(ctx, tx, org, []uuid.UUID{w.Unit}); err != nil {
			return err
		}
		unit, ok := f.units[w.Unit]
		if !ok {
			return errs.Missing(resname.UnitName(org, w.Unit))
		}
		packs, err := s.readPacks(ctx, tx, org)
		if err != nil {
			return err
		}
		today := due.DateAt(unit.Stays, w.Granted)
		if w.From = today; !from.IsZero() {
			w.From = from.First()
		}
		if err := compliance.CheckWaiver(org, &w, today, packs); err != nil {
			return err
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `insert into waivers (org_id, waiver_id, unit_id, pack, rule, first_day, last_day, signer, reason, granted, granter)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)`,
			org.UUID, id, w.Unit, w.Pack, w.Rule, dayOf(w.From), dayOf(w.To), w.Signer, w.Reason, w.Granted, w.Granter); err != nil {
			if pg.HasConstraint(err, "waivers_pkey") {
				return errs.Taken(resname.WaiverName(org, w.Unit, w.ID))
			}
			return pg.Err(err)
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		return s.recompute(ctx, tx, org, []uuid.UUID{w.Unit})
	})
	return w, p, err
}

// RevokeWaiver revokes a waiver, once, and derives the unit's rows again. It joins the transaction in ctx.
func (s *Store) RevokeWaiver(ctx context.Context, org tenant.Org, unit, id uuid.UUID, reason string, change compliance.OwnChange) (w due.Waiver, p compliance.Position, err error) {
	name := resname.WaiverName(org, unit, id.String())
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := lockCursors(ctx, tx, org); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, selectWaiver+`where w.org_id = $1 and w.waiver_id = $2 and w.unit_id = $3`, org.UUID, id, unit)
		if err != nil {
			return pg.Err(err)
		}
		if w, err = pgx.CollectExactlyOneRow(rows, scanWaiver); err != nil {
			return one(err, name)
		}
		if !w.Revoked.IsZero() {
			at := w.Revoked.Format(time.RFC3339)
			return errs.New(errs.Precondition, "WAIVER_REVOKED", "the waiver was revoked at "+at, "waiver", name, "revokeTime", at)
		}
		w.Revoked, w.Revoker, w.RevokeReason = change.At, change.Actor, reason
		if w.Revoked.Before(w.Granted) {
			w.Revoked = w.Granted // another replica's clock is ahead
		}
		if _, err := nextChange(ctx, tx, org, change); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `update waivers set revoked = $3, revoker = $4, revoke_reason = $5 where org_id = $1 and waiver_id = $2`,
			org.UUID, id, w.Revoked, w.Revoker, w.RevokeReason); err != nil {
			return pg.Err(err)
		}
		if p, err = position(ctx, tx, org); err != nil {
			return err
		}
		return s.recompute(ctx, tx, org, []uuid.UUID{unit})
	})
	return w, p, err
}

// WaiverList returns a page of waivers, the last granted first, and whether there is more. One that has not been revoked ends with
// its last day at the unit's shop.
func (r *Reader) WaiverList(ctx context.Context, q compliance.WaiverQuery) (out []due.Waiver, more bool, err error) {
	if q.Past {
		return r.waiversThen(ctx, q)
	}
	args := []any{r.org.UUID, q.Limit + 1}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	where := "where w.org_id = $1"
	if q.Unit != uuid.Nil {
		where += " and w.unit_id = " + arg(q.Unit)
	}
	if k := q.After; k != nil {
		where += " and (w.granted, w.waiver_id) < (" + arg(k.Granted) + ", " + arg(k.ID) + ")"
	}
	if !q.Ended {
		shops, err := readShops(ctx, r.tx, r.org, nil, time.Time{})
		if err != nil {
			return nil, false, err
		}
		ids, days, first := make([]string, 0, len(shops)), make([]*time.Time, 0, len(shops)), civil.In(q.At, time.UTC).AddDays(-1)
		for id, s := range shops {
			ids, days = append(ids, id), append(days, dayOf(civil.In(q.At, zone(s.Zone))))
		}
		// The first day on earth bounds what is read; the day at the unit's own shop decides.
		where += " and w.revoked is null and w.last_day >= " + arg(dayOf(first)) + ` and not exists (
			select from p_units as u join unnest(` + arg(ids) + `::text[], ` + arg(days) + `::date[]) as d (shop, today) on d.shop = u.shop
			where u.org_id = $1 and u.unit_id = w.unit_id and w.last_day < d.today)`
	}
	rows, err := r.tx.Query(ctx, selectWaiver+where+` order by w.granted desc, w.waiver_id desc limit $2`, args...)
	if err != nil {
		return nil, false, pg.Err(err)
	}
	if out, err = pgx.CollectRows(rows, scanWaiver); err != nil {
		return nil, false, pg.Err(err)
	}
	if len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, nil
}
