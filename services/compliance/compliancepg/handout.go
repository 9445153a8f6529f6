package compliancepg

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// ErrMoved says that more was applied or allowed since the gate saw everything. Look again.
var ErrMoved = errs.New(errs.Conflict, "CONFLICT", "something changed while the gate looked; try again")

// HandedOut is what was handed out.
type HandedOut struct {
	Allocations []*compliance.Allocation
	Position    compliance.Position // after it
	Cautions    []string            // of the rule packs that apply
}

// HandOut hands allocations out, all of them or none. It holds the locks of the org's cursors and head: what every unit is judged by is one state of
// the projection, no earlier than what the gate saw, and derived from entries, not from what is kept for searching. It joins the transaction in ctx.
// Errors: NOT_FOUND, ALLOCATION_STATE, HAND_OUT_REFUSED, and ErrMoved.
func (s *Store) HandOut(ctx context.Context, org tenant.Org, h compliance.HandOut, change compliance.OwnChange) (out HandedOut, err error) {
	err = s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		out = HandedOut{}
		have, err := lockCursors(ctx, tx, org)
		if err != nil {
			return err
		}
		if seen := h.Sight.Position; have.Registry < seen.Registry || have.History < seen.History || h.Strict && (have.Registry != seen.Registry || have.History != seen.History) {
			return ErrMoved
		}
		out.Position, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
			loosened := false
			if err := tx.QueryRow(ctx, `select number, exists (select from changes where org_id = $1 and number > $2 and kind = any ($3)) from heads where org_id = $1`,
				org.UUID, h.Sight.Position.Compliance, compliance.Loosening).Scan(&have.Compliance, &loosened); err != nil {
				return pg.Err(err)
			}
			if h.Strict && loosened {
				return ErrMoved
			}
			all, err := t.load(ctx, h.AllocationChoice, compliance.Held, compliance.Confirmed)
			if err != nil {
				return err
			}
			if out.Cautions, err = t.gate(ctx, all, h); err != nil {
				return err
			}
			for _, a := range all {
				if h.At.Before(a.Start) {
					a.Start = h.At
				}
				a.State, a.Expires, a.HandedOut, a.Hander, a.Gate, a.Conflicts = compliance.Out, time.Time{}, h.At, change.Actor, have, nil
			}
			out.Allocations, t.changed = all, all
			return nil
		})
		return err
	})
	return out, err
}

// gate refuses allocations of which anything speaks against one, with every reason, and returns the cautions for them otherwise.
func (t *promising) gate(ctx context.Context, all []*compliance.Allocation, h compliance.HandOut) (cautions []string, err error) {
	ids := make([]uuid.UUID, len(all))
	for i, a := range all {
		ids[i] = a.Unit
	}
	claims, err := t.claims(ctx, ids)
	if err != nil {
		return nil, err
	}
	sets, err := t.sets(ctx, ids, h.AsOf)
	if err != nil {
		return nil, err
	}
	gone, err := t.away(ctx, sets)
	if err != nil {
		return nil, err
	}
	found := make([][]compliance.AllocationConflict, len(all))
	reasons := make([][]due.Reason, len(all))
	parts := slices.Clone(ids)
	for i, a := range all {
		u := &promise.Unit{ID: a.Unit, Tag: a.Tag, Kind: sets[i].Kind, Size: sets[i].Size, Shop: sets[i].Self.Stay.Shop, Claims: claims[a.Unit]}
		found[i] = append(t.elsewhere(u, sets[i].Self.Stay, a, h.At), t.unlike(u, promisedAs(a))...)
		reasons[i] = compliance.Refuses(sets[i], h.AsOf, a.End, u.Promised(a.ID).Plus(a.Expected))
		for j := range reasons[i] {
			reasons[i][j].Promising(u.Promised(a.ID))
			parts = append(parts, reasons[i][j].Unit, reasons[i][j].Host)
		}
		for _, g := range gone[a.Unit] {
			parts = append(parts, g.part, g.with)
		}
	}
	var names due.Names
	if len(parts) > len(ids) { // something stands against them
		if names, err = t.names(ctx, parts); err != nil {
			return nil, err
		}
	}
	var vs []errs.Violation
	for i, a := range all {
		for j := range reasons[i] {
			found[i] = append(found[i], t.conflictOf(a.Unit, &reasons[i][j], names))
		}
		for _, g := range gone[a.Unit] {
			found[i] = append(found[i], t.gone(a.Unit, sets[i].Self.Stay, g, names))
		}
		vs = append(vs, violations(&promise.Unit{Tag: a.Tag}, found[i])...)
	}
	if len(vs) == 0 {
		for i := range sets {
			st := sets[i].Stand(h.AsOf)
			for _, c := range st.Cautions {
				if !slices.Contains(cautions, c) {
					cautions = append(cautions, c)
				}
			}
		}
		return cautions, nil
	}
	e := errs.New(errs.Precondition, "HAND_OUT_REFUSED", "nothing was handed out: "+vs[0].Description, "problemCount", fmt.Sprint(len(vs)))
	e.Violations = vs
	return nil, e
}

// elsewhere returns who else has a unit, or is to have it while it would be out from an instant on.
func (t *promising) elsewhere(u *promise.Unit, there due.Stay, a *compliance.Allocation, at time.Time) (out []compliance.AllocationConflict) {
	w := a.Window
	if at.Before(w.Start) {
		w.Start = at
	}
	for _, c := range u.Claims {
		if c.Allocation != a.ID && (c.Out || c.Overlaps(w)) {
			out = append(out, t.claimed(u, there, c))
		}
	}
	return out
}

// claims returns the live promises of units.
func (t *promising) claims(ctx context.Context, units []uuid.UUID) (map[uuid.UUID][]promise.Claim, error) {
	rows, err := t.tx.Query(ctx, `select a.unit_id, a.allocation_id, lower(a.during), upper(a.during), a.dives, a.hours, a.fills, a.state
		from allocations as a where a.org_id = $1 and a.unit_id = any ($2) and a.state <= 3 and (a.state <> 1 or a.expires > $3) and (a.state = 3 or upper(a.during) > $3)
		order by lower(a.during), a.allocation_id`, t.org.UUID, units, t.now)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]promise.Claim{}
	var unit uuid.UUID
	var c promise.Claim
	var hours int64
	var state compliance.AllocationState
	_, err = pgx.ForEachRow(rows, []any{&unit, &c.Allocation, &c.Start, &c.End, &c.Expected.Dives, &hours, &c.Expected.Fills, &state}, func() error {
		claim := c
		claim.Start, claim.End, claim.Expected.Hours, claim.Out = c.Start.UTC(), c.End.UTC(), time.Duration(hours), state == compliance.Out
		out[unit] = append(out[unit], claim)
		return nil
	})
	return out, pg.Err(err)
}

// sets derives units from their entries, for an instant and for everything that is known.
func (t *promising) sets(ctx context.Context, units []uuid.UUID, at time.Time) ([]*compliance.Set, error) {
	out := make([]*compliance.Set, 0, len(units))
	for chunk := range slices.Chunk(units, recomputeChunk) {
		f, err := t.store.loadFacts(ctx, t.tx, t.org, chunk, true, time.Time{}, new(entryReader))
		if err != nil {
			return nil, err
		}
		if len(f.unknown) > 0 {
			return nil, errs.Missing(resname.UnitName(t.org, f.unknown[0]))
		}
		for _, id := range chunk {
			set := f.set(id, at, time.Time{})
			set.Latest = f.set(id, time.Time{}, time.Time{})
			out = append(out, set)
		}
	}
	return out, nil
}

// names names units by their tags.
func (t *promising) names(ctx context.Context, units []uuid.UUID) (due.Names, error) {
	tags, err := (&Reader{store: t.store, org: t.org, tx: t.tx}).Tags(ctx, units, time.Time{})
	return due.Names{
		Unit: func(id uuid.UUID) string {
			if tag := tags[id]; tag != "" {
				return tag
			}
			return id.String()
		},
		Entry: func(id uuid.UUID) string { return id.String()[:8] },
	}, err
}

// AllocationShops returns the shops of chosen allocations, for whoever has to say where to go on.
func (r *Reader) AllocationShops(ctx context.Context, c compliance.AllocationChoice) ([]string, error) {
	rows, err := r.tx.Query(ctx, `select distinct shop from allocations where org_id = $1 and (allocation_id = any ($2) or group_id = $3) order by shop limit 10`, r.org.UUID, c.IDs, c.Group)
	if err != nil {
		return nil, pg.Err(err)
	}
	shops, err := pgx.CollectRows(rows, pgx.RowTo[string])
	return shops, pg.Err(err)
}
