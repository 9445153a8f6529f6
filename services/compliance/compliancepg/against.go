package compliancepg

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// asked is a unit that is asked for, or that is promised, and for what.
type asked struct {
	unit     *promise.Unit
	as       unitAs
	window   promise.Window
	expected due.Amount
	but      uuid.UUID // the allocation that has it; zero for none
}

// against returns for each question why its unit may not be promised so; nil where it may. It goes by the history of every unit, not by what is kept for
// searching.
func (t *promising) against(ctx context.Context, all []asked) ([][]compliance.AllocationConflict, error) {
	r := &Reader{store: t.store, org: t.org, tx: t.tx}
	out := make([][]compliance.AllocationConflict, len(all))
	reasons := make([][]due.Reason, len(all))
	var parts []uuid.UUID
	sets, err := r.setsOf(ctx, all)
	if err != nil {
		return nil, err
	}
	for i, a := range all {
		promised := a.unit.Promised(a.but)
		reasons[i] = sets[i].Window(a.window.Start, a.window.End, promised.Plus(a.expected))
		for j := range reasons[i] {
			reasons[i][j].Promising(promised)
			parts = append(parts, reasons[i][j].Unit, reasons[i][j].Host)
		}
	}
	tags, err := r.Tags(ctx, parts, time.Time{})
	if err != nil {
		return nil, err
	}
	names := due.Names{
		Unit: func(id uuid.UUID) string {
			if tag := tags[id]; tag != "" {
				return tag
			}
			return id.String()
		},
		Entry: func(id uuid.UUID) string { return id.String()[:8] },
	}
	for i, a := range all {
		if c, taken := a.unit.Taken(a.window, t.now, a.but); taken {
			out[i] = append(out[i], t.claimed(a.unit, sets[i].Self.Stay, c))
		}
		out[i] = append(out[i], t.unlike(a.unit, a.as)...)
		for j := range reasons[i] {
			out[i] = append(out[i], t.conflictOf(a.unit.ID, &reasons[i][j], names))
		}
	}
	return out, nil
}

// unitAs is what a unit has to be; what is empty does not matter.
type unitAs struct{ kind, size, shop string }

// promisedAs is what the unit of an allocation has to be when it is handed out. Whoever asks for one by name takes it in the size that it has.
func promisedAs(a *compliance.Allocation) unitAs {
	as := unitAs{kind: a.Kind, size: a.Size, shop: a.Shop}
	if a.Pinned {
		as.size = ""
	}
	return as
}

// unlike returns in what a unit differs from what it has to be.
func (t *promising) unlike(u *promise.Unit, as unitAs) (out []compliance.AllocationConflict) {
	no := func(code, says, clears string) {
		out = append(out, compliance.AllocationConflict{Code: code, Blocks: due.HandOut, Unit: u.ID, Says: says, Clears: clears, Known: t.now})
	}
	if as.shop != "" && u.Shop != as.shop {
		no("OTHER_SHOP", fmt.Sprintf("The unit is at %s, and is wanted at %s.", u.Shop, as.shop), "Its transfer to "+as.shop+", or another unit.")
	}
	if as.kind != "" && u.Kind != as.kind {
		no("OTHER_KIND", fmt.Sprintf("The unit is a %s, and a %s is wanted.", due.KindWords(u.Kind, 1), due.KindWords(as.kind, 1)), "Another unit, or a correction of its model.")
	}
	if as.size != "" && u.Size != as.size {
		no("OTHER_SIZE", fmt.Sprintf("The unit is of size %q, and size %q is wanted.", u.Size, as.size), "Another unit, or a correction of its size.")
	}
	return out
}

// setsOf returns the set of each question's unit as of the start of its window.
func (r *Reader) setsOf(ctx context.Context, all []asked) ([]*compliance.Set, error) {
	byStart := map[time.Time][]int{}
	for i, a := range all {
		byStart[a.window.Start] = append(byStart[a.window.Start], i)
	}
	out := make([]*compliance.Set, len(all))
	for start, at := range byStart {
		ids := make([]uuid.UUID, len(at))
		for i, n := range at {
			ids[i] = all[n].unit.ID
		}
		sets, err := r.Sets(ctx, ids, start)
		if err != nil {
			return nil, err
		}
		for i, n := range at {
			out[n] = sets[i]
		}
	}
	return out, nil
}

// claimed says that somebody else has a unit, which is there.
func (t *promising) claimed(u *promise.Unit, there due.Stay, c promise.Claim) compliance.AllocationConflict {
	r := due.Reason{Code: due.AlreadyPromised, Blocks: due.HandOut, Unit: u.ID, Stay: there, From: c.Start, Until: c.End}
	if c.Out {
		r.Code = due.Out
	}
	return t.conflict(&r, due.Names{})
}

// conflict is a reason in the form in which it is stored with an allocation.
func (t *promising) conflict(r *due.Reason, names due.Names) compliance.AllocationConflict {
	out := compliance.AllocationConflict{Code: string(r.Code), Blocks: r.Blocks, Unit: r.Unit, Says: r.Sentence(names), Clears: r.Clears(names), Known: t.now}
	if r.Clock != nil {
		out.Rule = resname.RuleName(t.org, r.Clock.Pack.ID, r.Clock.Rule.ID)
	}
	if r.Hold != nil {
		out.Hold = resname.HoldName(t.org, r.Unit, r.Hold.ID)
		if r.Hold.Rule != "" {
			out.Rule = resname.RuleName(t.org, r.Hold.Pack, r.Hold.Rule)
		}
	}
	return out
}

// conflictOf is conflict for a unit, of which a reason names the part that it is about.
func (t *promising) conflictOf(unit uuid.UUID, r *due.Reason, names due.Names) compliance.AllocationConflict {
	c := t.conflict(r, names)
	if c.Unit != unit {
		c.Says = names.Unit(c.Unit) + ", which is fitted to it: " + c.Says
	}
	return c
}

// violations are conflicts of a unit as an error tells them.
func violations(u *promise.Unit, all []compliance.AllocationConflict) []errs.Violation {
	out := make([]errs.Violation, len(all))
	for i, c := range all {
		out[i] = errs.Violation{Field: "units/" + u.Tag, Description: u.Tag + ": " + c.Says + " What would clear it: " + c.Clears, Reason: c.Code}
	}
	return out
}

// notAvailable says that not everything can be promised.
func notAvailable(message string, all []errs.Violation) error {
	e := errs.New(errs.Precondition, "NOT_AVAILABLE", message, "problemCount", fmt.Sprint(len(all)))
	e.Violations = all
	return e
}
