package registry

import (
	"context"
	"maps"
	"slices"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// listed says how shops, models and technicians, whose ids people choose, are kept: what the use cases of creating and changing one
// need to know of its type.
type listed[T any] struct {
	field  string // of the resource in requests
	name   func(tenant.Org, string) string
	get    func(Tx, context.Context, []string) (map[string]T, error)
	insert func(Tx, context.Context, []T) error
	update func(Tx, context.Context, T) error
	change func(*T) Change
	check  func(T) Problems
	same   func(a, b T) bool
	clone  func(T) T // so that an edit cannot reach what the store gave
	head   func(*T) head
}

// head points at what every listed resource has.
type head struct {
	id               *string
	version          *int64
	created, updated *time.Time
}

var (
	shops = listed[Shop]{
		field: "shop.", name: resname.ShopName,
		get: Tx.Shops, insert: Tx.InsertShops, update: Tx.UpdateShop,
		change: func(s *Shop) Change { return Change{Shop: s} },
		check:  Shop.check,
		same:   func(a, b Shop) bool { return len(a.diff(b)) == 0 },
		clone:  func(s Shop) Shop { return s },
		head:   func(s *Shop) head { return head{&s.ID, &s.Version, &s.Created, &s.Updated} },
	}
	models = listed[Model]{
		field: "model.", name: resname.ModelName,
		get: Tx.Models, insert: Tx.InsertModels, update: Tx.UpdateModel,
		change: func(m *Model) Change { return Change{Model: m} },
		check:  Model.check,
		same:   func(a, b Model) bool { return len(a.diff(b)) == 0 },
		clone:  func(m Model) Model { m.Attributes = maps.Clone(m.Attributes); return m },
		head:   func(m *Model) head { return head{&m.ID, &m.Version, &m.Created, &m.Updated} },
	}
	technicians = listed[Technician]{
		field: "technician.", name: resname.TechnicianName,
		get: Tx.Technicians, insert: Tx.InsertTechnicians, update: Tx.UpdateTechnician,
		change: func(t *Technician) Change { return Change{Technician: t} },
		check:  Technician.check,
		same:   func(a, b Technician) bool { return len(a.diff(b)) == 0 },
		clone:  func(t Technician) Technician { t.Qualifications = slices.Clone(t.Qualifications); return t },
		head:   func(t *Technician) head { return head{&t.ID, &t.Version, &t.Created, &t.Updated} },
	}
)

// make creates one. It fails with ALREADY_EXISTS.
func (l listed[T]) make(ctx context.Context, r *Registry, org tenant.Org, now time.Time, v T) (T, int64, error) {
	if err := l.check(v).Under(l.field).Err(); err != nil {
		var none T
		return none, 0, err
	}
	h := l.head(&v)
	*h.version, *h.created, *h.updated = 1, now, now
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		have, err := l.get(tx, ctx, []string{*h.id})
		if err != nil {
			return err
		}
		if _, ok := have[*h.id]; ok {
			return errs.Taken(l.name(org, *h.id))
		}
		if err := l.insert(tx, ctx, []T{v}); err != nil {
			return err
		}
		return tx.Record(ctx, l.change(&v))
	})
	return v, position, err
}

// edit changes one; change is given the present one. Without a difference nothing is written. After, if not nil, runs once the
// change is recorded. It fails with NOT_FOUND and ETAG_MISMATCH.
func (l listed[T]) edit(ctx context.Context, r *Registry, org tenant.Org, now time.Time, id, etag string, change func(*T), after func(ctx context.Context, tx Tx, old, v T) error) (T, int64, error) {
	var out T
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		name := l.name(org, id)
		have, err := l.get(tx, ctx, []string{id})
		if err != nil {
			return err
		}
		old, ok := have[id]
		if !ok {
			return errs.Missing(name)
		}
		if err := checkEtag(name, *l.head(&old).version, etag); err != nil {
			return err
		}
		v := l.clone(old)
		change(&v)
		if err := l.check(v).Under(l.field).Err(); err != nil {
			return err
		}
		if l.same(v, old) {
			out = old
			return nil
		}
		h := l.head(&v)
		*h.version, *h.updated = *h.version+1, now
		if err := l.update(tx, ctx, v); err != nil {
			return err
		}
		if err := tx.Record(ctx, l.change(&v)); err != nil {
			return err
		}
		out = v
		if after == nil {
			return nil
		}
		return after(ctx, tx, old, v)
	})
	return out, position, err
}
