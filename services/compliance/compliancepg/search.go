package compliancepg

import (
	"context"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Found is what a search has found. It is good until the function that it was given to returns.
type Found struct {
	Units []*promise.Unit // by tag. They are shared: whoever wants to change one copies it

	query  compliance.PromiseQuery
	store  *Store
	group  *group  // nil if it is none
	reader *Reader // nil while it is answered from the copy
}

// errRead says that the database must be read after all.
var errRead = errors.New("not in the copy")

// Search finds units and calls fn with them, in one snapshot of the org, and returns the position as of which that was. The units of one kind at one shop are
// mostly found in the store's copy, after one trip that makes sure that nothing has changed. fn may be called again, so it must keep no outside
// state; it returns errors of Found as they are. Of an org without a position of the registry nothing is known, and fn is not called.
func (s *Store) Search(ctx context.Context, org tenant.Org, q compliance.PromiseQuery, fn func(ctx context.Context, f *Found) error) (p compliance.Position, err error) {
	var key *groupKey
	if len(q.Kinds) == 1 && q.Shop != "" && len(q.Units) == 0 && !q.At.Before(q.Now) && !s.db.Inside(ctx) { // of the past the copy knows too little
		key = &groupKey{q.Kinds[0], q.Shop}
		g, p, err := s.glance(ctx, org, *key)
		if err != nil {
			return p, err
		}
		if g != nil {
			err := fn(ctx, &Found{Units: g.visible(q), query: q, store: s, group: g})
			if !errors.Is(err, errRead) {
				return p, err
			}
		}
	}
	err = s.Read(ctx, org, func(ctx context.Context, r *Reader) (err error) {
		f := &Found{query: q, store: s, reader: r}
		if key == nil {
			if p, err = r.Position(ctx); err != nil || p.Registry == 0 {
				return err
			}
			if f.Units, err = r.PromiseUnits(ctx, q); err != nil {
				return err
			}
			return fn(ctx, f)
		}
		g, now, err := r.readGroup(ctx, *key, q.Now)
		if p = now.position; err != nil || p.Registry == 0 {
			return err
		}
		s.ready.put(org, *key, g, &now)
		f.Units, f.group = g.visible(q), g
		return fn(ctx, f)
	})
	return p, err
}

// visible returns the units of the group that a query asks for, with the holds and promises that count then.
func (g *group) visible(q compliance.PromiseQuery) []*promise.Unit {
	over := func(c promise.Claim) bool {
		return !c.Expires.IsZero() && !c.Expires.After(q.Now) || !c.Out && !c.End.After(q.Now)
	}
	out := make([]*promise.Unit, 0, len(g.units))
	for _, u := range g.units {
		if !u.Retired.IsZero() && !u.Retired.After(q.At) || len(q.Sizes) > 0 && !slices.Contains(q.Sizes, u.Size) {
			continue
		}
		held, expired := g.held[u.ID].After(q.At), slices.ContainsFunc(u.Claims, over)
		if held || expired {
			c := *u
			if c.Held = held; expired {
				c.Claims = slices.DeleteFunc(slices.Clone(u.Claims), over)
			}
			u = &c
		}
		out = append(out, u)
	}
	return out
}

// Judge says which of the units may be promised for a window, as Reader.Judge does.
func (f *Found) Judge(ctx context.Context, w promise.Window, expected due.Amount) (available []bool, err error) {
	return judge(f.Units, w, expected, f.query.Now, nil, func(ids []uuid.UUID) ([]*compliance.Set, error) { return f.sets(ctx, ids, w.Start) })
}

// Against returns why units may not be promised for a window, as Reader.Against does.
func (f *Found) Against(ctx context.Context, units []*promise.Unit, w promise.Window, expected due.Amount) ([]*compliance.Set, [][]due.Reason, error) {
	return against(units, w, expected, f.query.Now, nil, func(ids []uuid.UUID) ([]*compliance.Set, error) { return f.sets(ctx, ids, w.Start) })
}

// Tags returns the tags of units.
func (f *Found) Tags(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]string, error) {
	if len(ids) > 0 && f.reader == nil {
		return nil, errRead // those of hosts, which are units of another group
	}
	return f.reader.Tags(ctx, ids, time.Time{})
}

// sets returns the sets of units, as Reader.Sets does.
func (f *Found) sets(ctx context.Context, ids []uuid.UUID, at time.Time) ([]*compliance.Set, error) {
	if f.group == nil {
		return f.reader.Sets(ctx, ids, at)
	}
	out := make([]*compliance.Set, len(ids))
	var missing []uuid.UUID
	for i, id := range ids {
		var ok bool
		if out[i], ok = f.store.ready.set(f.group, id, at); !ok {
			missing = append(missing, id)
		}
	}
	if len(missing) == 0 {
		return out, nil
	}
	if f.reader == nil {
		return nil, errRead
	}
	if err := f.keep(ctx, missing); err != nil {
		return nil, err
	}
	missing = missing[:0]
	var where []int
	for i, id := range ids {
		if out[i] == nil {
			var ok bool
			if out[i], ok = f.store.ready.set(f.group, id, at); !ok { // something has happened to it since
				missing, where = append(missing, id), append(where, i)
			}
		}
	}
	derived, err := f.reader.Sets(ctx, missing, at)
	if err != nil {
		return nil, err
	}
	for n, i := range where {
		out[i] = derived[n]
	}
	return out, nil
}

// keep reads the stored sets of units of the group into it.
func (f *Found) keep(ctx context.Context, ids []uuid.UUID) error {
	packs, err := f.reader.Packs(ctx)
	if err != nil {
		return err
	}
	var covered time.Time
	if day, ok := compliance.WindowsOf(packs).From(); ok {
		covered = day.AddDays(1).Start(time.UTC) // as covered says it
	}
	rows, err := storedSets(ctx, f.reader.tx, f.reader.org, packs, ids, true)
	if err != nil {
		return err
	}
	kept := make([]keptSet, len(rows))
	for i := range rows {
		kept[i] = keptSet{set: rows[i].Set, from: rows[i].settled}
		if covered.After(kept[i].from) {
			kept[i].from = covered
		}
	}
	f.store.ready.keepSets(f.group, kept)
	return nil
}
