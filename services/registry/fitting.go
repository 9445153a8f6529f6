package registry

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// Fitting is a part fitted to a host, from an instant to an instant.
type Fitting struct {
	ID    uuid.UUID
	Part  uuid.UUID
	Host  uuid.UUID
	Place string
	From  time.Time
	To    time.Time // zero while fitted
}

// Span returns when the part is fitted.
func (f Fitting) Span() Span { return Span{f.From, f.To} }

// inside says whether unit sits in target, directly or through hosts, at any instant of the span. above maps parts to
// their fittings. At each instant a part has one host, and known fittings make no cycle, so the walk ends.
func inside(unit, target uuid.UUID, during Span, above map[uuid.UUID][]Fitting) bool {
	if unit == target {
		return true
	}
	for _, f := range above[unit] {
		if common, ok := f.Span().And(during); ok && inside(f.Host, target, common, above) {
			return true
		}
	}
	return false
}

// together says whether two units are at the same shop throughout a span, and if not from when they are apart.
func together(a, b Unit, during Span) (apart time.Time, ok bool) {
	at := []time.Time{during.From}
	for _, p := range slices.Concat(a.Placements, b.Placements) {
		if p.From.After(during.From) && during.Has(p.From) {
			at = append(at, p.From)
		}
	}
	slices.SortFunc(at, time.Time.Compare)
	for _, t := range at {
		if a.ShopAt(t) != b.ShopAt(t) {
			return t, false
		}
	}
	return time.Time{}, true
}

// bench is what a new fitting is held against.
type bench struct {
	org   tenant.Org
	now   time.Time
	units map[uuid.UUID]Unit
	above map[uuid.UUID][]Fitting // by part, for every unit and every host above it
	shops map[string]Shop
	zones zones
}

// benchFor loads what fittings between units are held against.
func benchFor(ctx context.Context, tx Tx, org tenant.Org, now time.Time, units map[uuid.UUID]Unit) (*bench, error) {
	b := &bench{org: org, now: now, units: units, above: map[uuid.UUID][]Fitting{}, zones: zones{}}
	ids, shops := make([]uuid.UUID, 0, len(units)), map[string]struct{}{}
	for id, u := range units {
		ids = append(ids, id)
		for _, p := range u.Placements {
			shops[p.Shop] = struct{}{}
		}
	}
	var err error
	if b.shops, err = tx.Shops(ctx, keys(shops)); err != nil {
		return nil, err
	}
	fittings, err := tx.FittingsAbove(ctx, ids)
	for _, f := range fittings {
		b.above[f.Part] = append(b.above[f.Part], f)
	}
	return b, err
}

// check holds the rules against a new fitting of two known units. The fields' names are those of a Fitting; part and
// host say how the units are called in the request.
func (b *bench) check(f Fitting, part, host string) Problems {
	ps := text("place", f.Place)
	ps = append(ps, instant("fit_time", f.From, b.now)...)
	if !f.To.IsZero() {
		ps = append(ps, instant("unfit_time", f.To, b.now)...)
		if !f.To.After(f.From) {
			ps = append(ps, invalid("unfit_time", f.To.Format(time.RFC3339Nano), "is not after fit_time, "+f.From.Format(time.RFC3339Nano)))
		}
	}
	if len(ps) > 0 {
		return ps
	}
	p, h := b.units[f.Part], b.units[f.Host]
	for _, x := range []struct {
		field string
		u     Unit
	}{{part, p}, {host, h}} {
		if !x.u.Living() {
			ps = append(ps, retired(x.field, b.org, x.u))
			continue
		}
		if f.From.Before(x.u.Commissioned.Start(b.zones.of(b.shops[x.u.ShopAt(f.From)]))) {
			ps = append(ps, forbidden("BEFORE_COMMISSIONING", "fit_time", f.From.Format(time.RFC3339Nano), resname.UnitName(b.org, x.u.ID),
				"lies before tag "+x.u.Tag+" was commissioned, on "+x.u.Commissioned.String()))
		}
	}
	if len(ps) > 0 {
		return ps
	}
	if inside(f.Host, f.Part, f.Span(), b.above) {
		what := "tag " + h.Tag + " is itself fitted to tag " + p.Tag + " in that time, directly or through others"
		if f.Host == f.Part {
			what = "a unit cannot be fitted to itself"
		}
		return Problems{forbidden("FITTING_CYCLE", host, h.Tag, resname.UnitName(b.org, h.ID), what)}
	}
	for _, other := range b.above[f.Part] {
		if _, overlap := other.Span().And(f.Span()); overlap {
			return Problems{overlapping(part, b.org, p, other)}
		}
	}
	if t, ok := together(p, h, f.Span()); !ok {
		at := t.Format(time.RFC3339Nano)
		return Problems{forbidden("OTHER_SHOP", part, p.Tag, resname.UnitName(b.org, p.ID),
			"tag "+p.Tag+" is at shop "+p.ShopAt(t)+" and tag "+h.Tag+" at shop "+h.ShopAt(t)+" at "+at+"; transfer one first")}
	}
	return nil
}

func overlapping(field string, org tenant.Org, part Unit, other Fitting) Problem {
	until := "and still is"
	if !other.To.IsZero() {
		until = "until " + other.To.Format(time.RFC3339Nano)
	}
	return forbidden("FITTING_OVERLAP", field, part.Tag, resname.FittingName(org, part.ID, other.ID),
		"tag "+part.Tag+" was fitted to "+resname.UnitName(org, other.Host)+" from "+other.From.Format(time.RFC3339Nano)+" "+until+"; unfit it first")
}

// FitUnit fits a part to a host. A zero id is chosen here. It fails with NOT_FOUND, ALREADY_EXISTS, IN_THE_FUTURE,
// UNIT_RETIRED, BEFORE_COMMISSIONING, FITTING_CYCLE, FITTING_OVERLAP and OTHER_SHOP.
func (r *Registry) FitUnit(ctx context.Context, org tenant.Org, now time.Time, f Fitting) (Fitting, int64, error) {
	var out Fitting
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		f := f
		units, err := tx.Units(ctx, []uuid.UUID{f.Part, f.Host})
		if err != nil {
			return err
		}
		for _, x := range []struct {
			field string
			id    uuid.UUID
		}{{"parent", f.Part}, {"fitting.host", f.Host}} {
			if _, ok := units[x.id]; !ok {
				return Problems{missing(x.field, resname.UnitName(org, x.id))}.Err()
			}
		}
		if f.ID == uuid.Nil {
			if f.ID, err = newID(); err != nil {
				return err
			}
		} else if taken, err := tx.FittingExists(ctx, f.ID); err != nil {
			return err
		} else if taken {
			return Problems{exists("fitting_id", resname.FittingName(org, f.Part, f.ID))}.Err()
		}
		b, err := benchFor(ctx, tx, org, now, units)
		if err != nil {
			return err
		}
		ps := b.check(f, "part", "host").Under("fitting.")
		for i := range ps {
			if ps[i].Field == "fitting.part" {
				ps[i].Field = "parent"
			}
		}
		if err := ps.Err(); err != nil {
			return err
		}
		if err := tx.InsertFittings(ctx, []Fitting{f}); err != nil {
			return err
		}
		out = f
		return tx.Record(ctx, Change{Fitting: &f})
	})
	return out, position, err
}

// UnfitUnit ends a part's present fitting. A zero at is now. It fails with NOT_FOUND (also if it is not fitted),
// IN_THE_FUTURE and ORDER_OF_EVENTS.
func (r *Registry) UnfitUnit(ctx context.Context, org tenant.Org, now time.Time, part uuid.UUID, at time.Time) (Fitting, int64, error) {
	var out Fitting
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		at := at
		if at.IsZero() {
			at = now
		}
		name := resname.UnitName(org, part)
		units, err := tx.Units(ctx, []uuid.UUID{part})
		if err != nil {
			return err
		}
		if _, ok := units[part]; !ok {
			return errs.Missing(name)
		}
		if err := instant("unfit_time", at, now).Err(); err != nil {
			return err
		}
		fittings, _, err := tx.FittingsOf(ctx, []uuid.UUID{part})
		if err != nil {
			return err
		}
		i := slices.IndexFunc(fittings, func(f Fitting) bool { return f.To.IsZero() })
		if i < 0 {
			e := errs.Missing(name)
			e.Message = name + " is not fitted to anything"
			return e
		}
		f := fittings[i]
		if !at.After(f.From) {
			return outOfOrder(org, part, "unfit_time", at, "the unit was fitted at "+f.From.Format(time.RFC3339Nano)+", not before that")
		}
		f.To = at
		if err := tx.EndFittings(ctx, []Fitting{f}); err != nil {
			return err
		}
		out = f
		return tx.Record(ctx, Change{Fitting: &f})
	})
	return out, position, err
}
