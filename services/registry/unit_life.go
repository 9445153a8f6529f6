package registry

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

func outOfOrder(org tenant.Org, unit uuid.UUID, field string, at time.Time, description string) error {
	return Problems{forbidden("ORDER_OF_EVENTS", field, at.Format(time.RFC3339Nano), resname.UnitName(org, unit), description)}.Err()
}

// beforeCommissioning says whether an instant lies before the day a unit entered the fleet, where it then was.
func beforeCommissioning(ctx context.Context, tx Tx, z zones, u Unit, at time.Time) (bool, error) {
	id := u.ShopAt(at)
	shops, err := tx.Shops(ctx, []string{id})
	if err != nil {
		return false, err
	}
	return at.Before(u.Commissioned.Start(z.of(shops[id]))), nil
}

// TransferUnit moves a unit, and what is fitted to it at that instant, to another shop. A zero at is now. It fails with
// NOT_FOUND, ETAG_MISMATCH, UNIT_RETIRED, IN_THE_FUTURE, FITTED_ELSEWHERE (a part moves with its host) and
// ORDER_OF_EVENTS: no later event of what moves may already be known.
func (r *Registry) TransferUnit(ctx context.Context, org tenant.Org, now time.Time, id uuid.UUID, etag, shop string, at time.Time) (Unit, int64, error) {
	var out Unit
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		at := at
		if at.IsZero() {
			at = now
		}
		u, err := livingUnit(ctx, tx, org, id, etag)
		if err != nil {
			return err
		}
		shops, err := tx.Shops(ctx, []string{shop})
		if err != nil {
			return err
		}
		if _, ok := shops[shop]; !ok {
			return Problems{missing("destination_shop", resname.ShopName(org, shop))}.Err()
		}
		if err := instant("transfer_time", at, now).Err(); err != nil {
			return err
		}
		if shop == u.Shop {
			return errs.Field("destination_shop", resname.ShopName(org, shop), "the unit is there already")
		}
		if early, err := beforeCommissioning(ctx, tx, zones{}, u, at); err != nil {
			return err
		} else if early {
			return outOfOrder(org, id, "transfer_time", at, "the unit was commissioned after that, on "+u.Commissioned.String())
		}
		ids, err := movable(ctx, tx, org, u, at)
		if err != nil {
			return err
		}
		if err := tx.Place(ctx, ids, shop, at, now); err != nil {
			return err
		}
		moved, err := tx.Units(ctx, ids)
		if err != nil {
			return err
		}
		changes := make([]Change, len(ids))
		for i, id := range ids {
			m := moved[id]
			changes[i].Unit = &m
		}
		out = moved[id]
		return tx.Record(ctx, changes...)
	})
	return out, position, err
}

// movable returns the units that move with u at an instant, u first, if nothing they did later stands against it.
func movable(ctx context.Context, tx Tx, org tenant.Org, u Unit, at time.Time) ([]uuid.UUID, error) {
	parts, err := tx.PartsAt(ctx, u.ID, at)
	if err != nil {
		return nil, err
	}
	ids := append([]uuid.UUID{u.ID}, parts...)
	asPart, asHost, err := tx.FittingsOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	for _, f := range asPart {
		if f.Part == u.ID && (f.To.IsZero() || f.To.After(at)) {
			host := resname.UnitName(org, f.Host)
			p := forbidden("FITTED_ELSEWHERE", "name", resname.UnitName(org, u.ID), resname.UnitName(org, u.ID), "the unit is fitted to "+host+" and moves only with it")
			return nil, Problems{p}.Err()
		}
	}
	units, err := tx.Units(ctx, ids)
	if err != nil {
		return nil, err
	}
	for _, id := range ids {
		if from := units[id].placedFrom(); !from.IsZero() && !from.Before(at) {
			return nil, outOfOrder(org, id, "transfer_time", at, resname.UnitName(org, id)+" was transferred at "+from.Format(time.RFC3339Nano)+"; a transfer must come after it")
		}
	}
	for _, f := range append(asPart, asHost...) {
		if f.From.After(at) {
			return nil, outOfOrder(org, f.Part, "transfer_time", at, resname.FittingName(org, f.Part, f.ID)+" began at "+f.From.Format(time.RFC3339Nano)+"; a transfer must come after it")
		}
	}
	return ids, nil
}

// RetireUnit takes a unit out of the fleet for good. Its own fitting, and those of the parts on it, end at that instant. A
// zero at is now. It fails with NOT_FOUND, ETAG_MISMATCH, UNIT_RETIRED, IN_THE_FUTURE and ORDER_OF_EVENTS.
func (r *Registry) RetireUnit(ctx context.Context, org tenant.Org, now time.Time, id uuid.UUID, etag, reason string, at time.Time) (Unit, int64, error) {
	if err := text("reason", reason).Err(); err != nil {
		return Unit{}, 0, err
	}
	var out Unit
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		at := at
		if at.IsZero() {
			at = now
		}
		u, err := livingUnit(ctx, tx, org, id, etag)
		if err != nil {
			return err
		}
		if err := instant("retire_time", at, now).Err(); err != nil {
			return err
		}
		if from := u.placedFrom(); at.Before(from) {
			return outOfOrder(org, id, "retire_time", at, "the unit was transferred after that, at "+from.Format(time.RFC3339Nano))
		}
		if early, err := beforeCommissioning(ctx, tx, zones{}, u, at); err != nil {
			return err
		} else if early {
			return outOfOrder(org, id, "retire_time", at, "the unit was commissioned after that, on "+u.Commissioned.String())
		}
		asPart, asHost, err := tx.FittingsOf(ctx, []uuid.UUID{id})
		if err != nil {
			return err
		}
		var ended []Fitting
		for _, f := range append(asPart, asHost...) {
			switch {
			case !f.From.Before(at):
				return outOfOrder(org, id, "retire_time", at, resname.FittingName(org, f.Part, f.ID)+" began at "+f.From.Format(time.RFC3339Nano)+", not before that")
			case f.To.After(at):
				return outOfOrder(org, id, "retire_time", at, resname.FittingName(org, f.Part, f.ID)+" ended after that, at "+f.To.Format(time.RFC3339Nano))
			case f.To.IsZero():
				f.To = at
				ended = append(ended, f)
			}
		}
		u.Retired, u.RetireReason = at, reason
		u.Version, u.Updated = u.Version+1, now
		if err := tx.EndFittings(ctx, ended); err != nil {
			return err
		}
		if err := tx.UpdateUnit(ctx, u); err != nil {
			return err
		}
		var changes []Change
		for i := range ended {
			changes = append(changes, Change{Fitting: &ended[i]})
		}
		out = u
		return tx.Record(ctx, append(changes, Change{Unit: &u})...)
	})
	return out, position, err
}
