package compliancepg

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/promise"
)

// Confirm makes held allocations firm; one that is firm already stays so. One that is in conflict cannot be kept, and is not made firm. It joins the
// transaction in ctx.
func (s *Store) Confirm(ctx context.Context, org tenant.Org, c compliance.AllocationChoice, change compliance.OwnChange) (out []*compliance.Allocation, p compliance.Position, err error) {
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		if out, err = t.load(ctx, c, compliance.Held, compliance.Confirmed); err != nil {
			return err
		}
		var vs []errs.Violation
		for _, a := range out {
			vs = append(vs, violations(&promise.Unit{Tag: a.Tag}, a.Conflicts)...)
		}
		if len(vs) > 0 {
			return notAvailable("what is in conflict cannot be made firm: "+vs[0].Description, vs)
		}
		for _, a := range out {
			if a.State == compliance.Held {
				a.State, a.Confirmed, a.Expires = compliance.Confirmed, t.now, time.Time{}
				t.changed = append(t.changed, a)
			}
		}
		return nil
	})
	return out, p, err
}

// Release gives allocations up that were not handed out. It joins the transaction in ctx.
func (s *Store) Release(ctx context.Context, org tenant.Org, c compliance.AllocationChoice, reason string, change compliance.OwnChange) (out []*compliance.Allocation, p compliance.Position, err error) {
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		if out, err = t.load(ctx, c, compliance.Held, compliance.Confirmed); err != nil {
			return err
		}
		for _, a := range out {
			a.State, a.Finished, a.Finisher, a.FinishedReason, a.Expires, a.Conflicts = compliance.Released, latest(t.now, a.Created), change.Actor, reason, time.Time{}, nil
		}
		t.changed = out
		return nil
	})
	return out, p, err
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// Extension is a new end of allocations.
type Extension struct {
	End   time.Time
	Dives *int64 // expected in the whole window; nil for as before
}

// Extend moves the end of allocations, all of them or none. A later end, or more dives, must be possible as a new promise would be. It joins the transaction in ctx.
func (s *Store) Extend(ctx context.Context, org tenant.Org, c compliance.AllocationChoice, e Extension, change compliance.OwnChange) (out []*compliance.Allocation, p compliance.Position, err error) {
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		if out, err = t.load(ctx, c, compliance.Held, compliance.Confirmed, compliance.Out); err != nil {
			return err
		}
		var more []*compliance.Allocation
		for _, a := range out {
			if !e.End.After(a.Start) {
				return errs.Field("end_time", e.End.Format(time.RFC3339), fmt.Sprintf("must be after the start of %s, %s", resname.AllocationName(org, a.ID), a.Start.Format(time.RFC3339)))
			}
			longer := e.End.After(a.End)
			a.End = e.End
			if e.Dives != nil {
				longer = longer || *e.Dives > a.Expected.Dives
				a.Expected.Dives = *e.Dives
			}
			if longer {
				more = append(more, a)
			}
		}
		t.changed = out
		return t.keepable(ctx, more)
	})
	return out, p, err
}

// keepable refuses allocations that cannot be kept as they now stand.
func (t *promising) keepable(ctx context.Context, all []*compliance.Allocation) error {
	found, units, err := t.conflicts(ctx, all)
	if err != nil {
		return err
	}
	var vs []errs.Violation
	for i := range all {
		vs = append(vs, violations(units[i], found[i])...)
	}
	if len(vs) == 0 {
		return nil
	}
	return notAvailable("not everything can be kept that long: "+vs[0].Description, vs)
}

// conflicts returns for each allocation why it cannot be kept as things are, and its unit. What is out is asked about from now on.
func (t *promising) conflicts(ctx context.Context, all []*compliance.Allocation) ([][]compliance.AllocationConflict, []*promise.Unit, error) {
	if len(all) == 0 {
		return nil, nil, nil
	}
	ids := make([]uuid.UUID, len(all))
	for i, a := range all {
		ids[i] = a.Unit
	}
	found, err := promiseUnits(ctx, t.tx, t.org, compliance.PromiseQuery{Units: ids, Now: t.now})
	if err != nil {
		return nil, nil, err
	}
	byID := map[uuid.UUID]*promise.Unit{}
	for _, u := range found {
		byID[u.ID] = u
	}
	units, questions := make([]*promise.Unit, len(all)), make([]asked, len(all))
	for i, a := range all {
		u := byID[a.Unit]
		if u == nil {
			return nil, nil, errs.New(errs.Unavailable, "NOT_CAUGHT_UP", "compliance is building what it knows of "+resname.UnitName(t.org, a.Unit)+" again; try again", "unit", resname.UnitName(t.org, a.Unit))
		}
		w := a.Window
		if a.State == compliance.Out || w.Start.Before(t.now) {
			w.Start = t.now // what was before has happened
		}
		if !w.End.After(w.Start) {
			w.End = w.Start.Add(time.Second) // late
		}
		units[i], questions[i] = u, asked{unit: u, as: promisedAs(a), window: w, expected: a.Expected, but: a.ID}
		if a.State == compliance.Out {
			questions[i].as = unitAs{} // it is with a customer
		}
	}
	out, err := t.against(ctx, questions)
	return out, units, err
}

// Swap gives an allocation another unit: the one named, or the one that fits best. It joins the transaction in ctx.
func (s *Store) Swap(ctx context.Context, org tenant.Org, id, unit uuid.UUID, reason string, change compliance.OwnChange) (out *compliance.Allocation, p compliance.Position, err error) {
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		all, err := t.load(ctx, compliance.AllocationChoice{IDs: []uuid.UUID{id}}, compliance.Held, compliance.Confirmed)
		if err != nil {
			return err
		}
		out = all[0]
		if unit == out.Unit {
			return errs.Field("unit", resname.UnitName(org, unit), "is the unit that the allocation has; name another, or none for the one that fits best")
		}
		w := wishOf(out, t.now)
		if unit != uuid.Nil {
			w.Wants[0].Unit, w.Wants[0].Size = unit, "" // whoever names it knows its size
		}
		choices, err := t.choose(ctx, w, out.Unit)
		if err != nil {
			return err
		}
		t.substitute(out, choices[0].Unit, change.Actor, reason)
		out.Pinned = unit != uuid.Nil
		return nil
	})
	return out, p, err
}

// wishOf is what an allocation would be wished for with if it were made now.
func wishOf(a *compliance.Allocation, now time.Time) *compliance.AllocationWish {
	w := a.Window
	w.Start = latest(w.Start, now)
	return &compliance.AllocationWish{Shop: a.Shop, Window: w, Expected: a.Expected, Wants: []promise.Want{{Outfit: a.Outfit, Kind: a.Kind, Size: a.Size}}}
}

// substitute gives an allocation another unit.
func (t *promising) substitute(a *compliance.Allocation, u *promise.Unit, actor, reason string) {
	a.Substitutions = append(a.Substitutions, compliance.AllocationSubstitution{Unit: a.Unit, Tag: a.Tag, At: t.now, Actor: actor, Reason: reason})
	a.Unit, a.Tag, a.Conflicts = u.ID, u.Tag, nil
	t.changed = append(t.changed, a)
}
