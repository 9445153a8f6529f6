package registry

import (
	"context"
	"maps"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// Unit is one physical thing with an asset tag.
type Unit struct {
	ID               uuid.UUID
	Tag              string
	Serial           string
	Model            string
	Kind             string // the model's
	Shop             string // where it is now
	Manufactured     civil.Mark
	Commissioned     civil.Date
	Size             string
	Attributes       map[string]string
	Retired          time.Time // zero while it lives
	RetireReason     string
	Version          int64
	Created, Updated time.Time
	Placements       []Placement // earliest first, never empty
}

// Placement is a unit's stay at a shop, up to the next placement.
type Placement struct {
	Shop string
	From time.Time // zero: since ever
}

// Living says whether the unit is in the fleet.
func (u Unit) Living() bool { return u.Retired.IsZero() }

// ShopAt returns where the unit is at an instant.
func (u Unit) ShopAt(t time.Time) string {
	shop := ""
	for i, p := range u.Placements {
		if i == 0 || !p.From.After(t) {
			shop = p.Shop
		}
	}
	return shop
}

// placedFrom returns when the unit's present placement began.
func (u Unit) placedFrom() time.Time { return u.Placements[len(u.Placements)-1].From }

// diff lists the fields in which a unit's content differs from another's. Where the unit is counts as the same if it is
// where the other is now, or where it began: a unit that was moved since is still the unit of the spreadsheet.
func (u Unit) diff(org tenant.Org, o Unit) (d differences) {
	d.text("asset_tag", u.Tag, o.Tag)
	d.text("serial_number", u.Serial, o.Serial)
	d.text("model", resname.ModelName(org, u.Model), resname.ModelName(org, o.Model))
	if u.Shop != o.Placements[0].Shop {
		d.text("shop", resname.ShopName(org, u.Shop), resname.ShopName(org, o.Shop))
	}
	d.text("manufacture_date", u.Manufactured.String(), o.Manufactured.String())
	d.text("commission_date", u.Commissioned.String(), o.Commissioned.String())
	d.text("size", u.Size, o.Size)
	d.attributes("attributes", u.Attributes, o.Attributes)
	return d
}

// catalogue is what a unit's rules look at besides the unit.
type catalogue struct {
	org    tenant.Org
	now    time.Time
	shops  map[string]Shop
	models map[string]Model
	zones  zones
}

// catalogueFor loads the shops and models of units, beside those of have (which may be nil).
func catalogueFor(ctx context.Context, tx Tx, org tenant.Org, now time.Time, units []Unit) (*catalogue, error) {
	shopIDs, modelIDs := map[string]struct{}{}, map[string]struct{}{}
	for _, u := range units {
		shopIDs[u.Shop], modelIDs[u.Model] = struct{}{}, struct{}{}
	}
	c := &catalogue{org: org, now: now, zones: zones{}}
	var err error
	if c.shops, err = tx.Shops(ctx, keys(shopIDs)); err != nil {
		return nil, err
	}
	c.models, err = tx.Models(ctx, keys(modelIDs))
	return c, err
}

func keys[K comparable](m map[K]struct{}) []K {
	out := make([]K, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	return out
}

// check holds the rules against a unit and gives it its model's kind.
func (c *catalogue) check(u *Unit) Problems {
	ps := text("serial_number", u.Serial)
	ps = append(ps, text("size", u.Size)...)
	ps = append(ps, attributes("attributes", u.Attributes)...)
	m, ok := c.models[u.Model]
	if !ok {
		ps = append(ps, missing("model", resname.ModelName(c.org, u.Model)))
	}
	u.Kind = m.Kind
	s, ok := c.shops[u.Shop]
	if !ok {
		return append(ps, missing("shop", resname.ShopName(c.org, u.Shop)))
	}
	day := today(c.now, c.zones.of(s))
	if u.Commissioned > day {
		ps = append(ps, future("commission_date", u.Commissioned.String()))
	}
	switch {
	case u.Manufactured.IsZero():
	case u.Manufactured.First() > day:
		ps = append(ps, future("manufacture_date", u.Manufactured.String()))
	case u.Manufactured.First() > u.Commissioned:
		ps = append(ps, invalid("manufacture_date", u.Manufactured.String(), "lies after the commission date, "+u.Commissioned.String()))
	}
	return ps
}

// has says whether the unit's model and shop exist.
func (c *catalogue) has(u Unit) bool {
	_, model := c.models[u.Model]
	_, shop := c.shops[u.Shop]
	return model && shop
}

// tagTaken is the problem of a second living unit with one tag.
func tagTaken(field, tag, resource string) Problem {
	return Problem{
		Violation: errs.Violation{Field: field, Value: tag, Description: "asset tag " + tag + " is on another living unit, " + resource, Reason: "ASSET_TAG_TAKEN"},
		Kind:      errs.Exists, Resource: resource,
	}
}

// NewUnit is a unit to create. A zero ID is chosen here.
type NewUnit struct {
	Unit
	At string // path of its request, for example requests[3]., empty for a request of its own
}

// CreateUnits creates units, all or none. It fails with NOT_FOUND (shop or model), ALREADY_EXISTS and ASSET_TAG_TAKEN.
func (r *Registry) CreateUnits(ctx context.Context, org tenant.Org, now time.Time, give []NewUnit) ([]Unit, int64, error) {
	var out []Unit
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		units := make([]Unit, len(give))
		ids, tags := make([]uuid.UUID, len(give)), make([]string, len(give))
		for i, g := range give {
			units[i] = g.Unit
			if g.ID == uuid.Nil {
				var err error
				if units[i].ID, err = newID(); err != nil {
					return err
				}
			}
			ids[i], tags[i] = units[i].ID, g.Tag
		}
		c, err := catalogueFor(ctx, tx, org, now, units)
		if err != nil {
			return err
		}
		byID, err := tx.Units(ctx, ids)
		if err != nil {
			return err
		}
		byTag, err := tx.UnitsByTag(ctx, tags)
		if err != nil {
			return err
		}
		holder := map[string]string{}
		for tag, us := range byTag {
			for _, u := range us {
				if u.Living() {
					holder[tag] = resname.UnitName(org, u.ID)
				}
			}
		}
		var ps Problems
		for i := range units {
			u, at := &units[i], give[i].At
			u.begin(now)
			ps = append(ps, c.check(u).Under(at+"unit.")...)
			name := resname.UnitName(org, u.ID)
			if _, ok := byID[u.ID]; ok {
				ps = append(ps, exists(at+"unit_id", name))
			}
			byID[u.ID] = *u
			if other, ok := holder[u.Tag]; ok {
				ps = append(ps, tagTaken(at+"unit.asset_tag", u.Tag, other))
			}
			holder[u.Tag] = name
		}
		if err := ps.Err(); err != nil {
			return err
		}
		if err := insertUnits(ctx, tx, units); err != nil {
			return err
		}
		out = units
		return nil
	})
	return out, position, err
}

// begin makes a unit new.
func (u *Unit) begin(now time.Time) {
	u.Version, u.Created, u.Updated = 1, now, now
	u.Retired, u.RetireReason = time.Time{}, ""
	u.Placements = []Placement{{Shop: u.Shop}}
}

func insertUnits(ctx context.Context, tx Tx, units []Unit) error {
	if len(units) == 0 {
		return nil
	}
	if err := tx.InsertUnits(ctx, units); err != nil {
		return err
	}
	changes := make([]Change, len(units))
	for i := range units {
		changes[i].Unit = &units[i]
	}
	return tx.Record(ctx, changes...)
}

// UpdateUnit changes a unit's own fields; edit is given the present one and leaves shop, state and placements alone. It
// fails with NOT_FOUND, ETAG_MISMATCH, UNIT_RETIRED and ASSET_TAG_TAKEN.
func (r *Registry) UpdateUnit(ctx context.Context, org tenant.Org, now time.Time, id uuid.UUID, etag string, edit func(*Unit) error) (Unit, int64, error) {
	var out Unit
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		old, err := livingUnit(ctx, tx, org, id, etag)
		if err != nil {
			return err
		}
		u := old
		u.Attributes = maps.Clone(old.Attributes)
		if err := edit(&u); err != nil {
			return err
		}
		c, err := catalogueFor(ctx, tx, org, now, []Unit{u})
		if err != nil {
			return err
		}
		ps := c.check(&u).Under("unit.")
		if u.Tag != old.Tag {
			byTag, err := tx.UnitsByTag(ctx, []string{u.Tag})
			if err != nil {
				return err
			}
			for _, other := range byTag[u.Tag] {
				if other.Living() && other.ID != id {
					ps = append(ps, tagTaken("unit.asset_tag", u.Tag, resname.UnitName(org, other.ID)))
				}
			}
		}
		if u.Commissioned > old.Commissioned {
			late, err := commissionedTooLate(ctx, tx, c, u)
			if err != nil {
				return err
			}
			ps = append(ps, late...)
		}
		if err := ps.Err(); err != nil {
			return err
		}
		if len(u.diff(org, old)) == 0 {
			out = old
			return nil
		}
		u.Version, u.Updated = old.Version+1, now
		if err := tx.UpdateUnit(ctx, u); err != nil {
			return err
		}
		out = u
		return tx.Record(ctx, Change{Unit: &u})
	})
	return out, position, err
}

// commissionedTooLate refuses a commission date after something the registry knows of the unit: a transfer or a fitting.
func commissionedTooLate(ctx context.Context, tx Tx, c *catalogue, u Unit) (ps Problems, err error) {
	start := u.Commissioned.Start(c.zones.of(c.shops[u.Shop]))
	bad := func(what string, at time.Time) {
		ps = append(ps, forbidden("ORDER_OF_EVENTS", "unit.commission_date", u.Commissioned.String(), resname.UnitName(c.org, u.ID),
			"the unit was "+what+" before that, at "+at.Format(time.RFC3339)))
	}
	if len(u.Placements) > 1 && u.Placements[1].From.Before(start) {
		bad("transferred", u.Placements[1].From)
	}
	asPart, asHost, err := tx.FittingsOf(ctx, []uuid.UUID{u.ID})
	if err != nil {
		return nil, err
	}
	for _, f := range append(asPart, asHost...) {
		if f.From.Before(start) {
			bad("fitted", f.From)
			break
		}
	}
	return ps, nil
}

// livingUnit returns a unit that may be changed.
func livingUnit(ctx context.Context, tx Tx, org tenant.Org, id uuid.UUID, etag string) (Unit, error) {
	name := resname.UnitName(org, id)
	have, err := tx.Units(ctx, []uuid.UUID{id})
	if err != nil {
		return Unit{}, err
	}
	u, ok := have[id]
	if !ok {
		return Unit{}, errs.Missing(name)
	}
	if err := checkEtag(name, u.Version, etag); err != nil {
		return Unit{}, err
	}
	if !u.Living() {
		return Unit{}, Problems{retired("", org, u)}.Err()
	}
	return u, nil
}

func retired(field string, org tenant.Org, u Unit) Problem {
	name := resname.UnitName(org, u.ID)
	return forbidden("UNIT_RETIRED", field, u.Tag, name, name+" (tag "+u.Tag+") was retired at "+u.Retired.Format(time.RFC3339)+" and takes no such change")
}
