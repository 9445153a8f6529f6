package main

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// world is what an import may speak of: what the registry has, and what earlier files of the same import would create.
type world struct {
	org tenant.Org
	now time.Time

	shops       map[string]*knownShop
	models      map[string]*knownModel
	technicians map[string]*knownTechnician
	units       map[string]*knownUnit // by tag; a living unit goes before a retired one
	kinds       map[string]bool
	tags        map[string]string // of units by the last part of their names, made when first asked for
}

// An origin is the file that would create a thing; nil for what the registry has.
type (
	knownShop struct {
		id     string
		zone   *time.Location
		origin *importFile
		line   int64
	}
	knownModel struct {
		id, kind string
		origin   *importFile
		line     int64
	}
	knownTechnician struct {
		origin *importFile
		line   int64
	}
	knownUnit struct {
		tag          string
		name         string // resource name; made up for a unit that does not exist yet
		kind         string
		commissioned civil.Date
		retired      time.Time
		stays        []stay // earliest first
		origin       *importFile
		line         int64
	}
	stay struct {
		shop string
		from time.Time
	}
)

func newWorld(org tenant.Org, now time.Time) *world {
	w := &world{org: org, now: now, shops: map[string]*knownShop{}, models: map[string]*knownModel{}, technicians: map[string]*knownTechnician{}, units: map[string]*knownUnit{}, kinds: map[string]bool{}}
	for _, k := range knownKinds {
		w.kinds[k] = true
	}
	return w
}

// load reads what the registry has: shops, models and technicians, and the units if wanted.
func (w *world) load(ctx context.Context, c *clients, units bool) error {
	shops, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Shop, string, error) {
		r, err := c.Registry.ListShops(ctx, &registrypb.ListShopsRequest{Parent: w.org.Name(), PageSize: size, PageToken: token})
		return r.GetShops(), r.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	for _, s := range shops {
		loc, err := time.LoadLocation(s.GetTimeZone())
		if err != nil {
			return err
		}
		id := lastID(s.GetName())
		w.shops[id] = &knownShop{id: id, zone: loc}
	}
	models, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Model, string, error) {
		r, err := c.Registry.ListModels(ctx, &registrypb.ListModelsRequest{Parent: w.org.Name(), PageSize: size, PageToken: token})
		return r.GetModels(), r.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	for _, m := range models {
		id := lastID(m.GetName())
		w.models[id] = &knownModel{id: id, kind: m.GetKind()}
		w.kinds[m.GetKind()] = true
	}
	techs, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Technician, string, error) {
		r, err := c.Registry.ListTechnicians(ctx, &registrypb.ListTechniciansRequest{Parent: w.org.Name(), PageSize: size, PageToken: token})
		return r.GetTechnicians(), r.GetNextPageToken(), err
	})
	if err != nil {
		return err
	}
	for _, t := range techs {
		w.technicians[lastID(t.GetName())] = &knownTechnician{}
	}
	if units {
		return w.loadUnits(ctx, c)
	}
	return nil
}

func (w *world) loadUnits(ctx context.Context, c *clients) error {
	w.tags = nil
	token := ""
	for {
		r, err := c.Registry.ListUnits(ctx, &registrypb.ListUnitsRequest{Parent: w.org.Name(), PageSize: 1000, PageToken: token})
		if err != nil {
			return err
		}
		for _, u := range r.GetUnits() {
			w.addUnit(u)
		}
		if token = r.GetNextPageToken(); token == "" {
			return nil
		}
	}
}

// addUnit takes a unit of the registry in.
func (w *world) addUnit(u *registrypb.Unit) {
	k := &knownUnit{tag: u.GetAssetTag(), name: u.GetName(), kind: u.GetKind()}
	if m, err := civil.MarkOf(int(u.GetCommissionDate().GetYear()), int(u.GetCommissionDate().GetMonth()), int(u.GetCommissionDate().GetDay())); err == nil {
		k.commissioned = m.First()
	}
	if u.GetState() == registrypb.Unit_STATE_RETIRED {
		k.retired = u.GetRetireTime().AsTime()
	}
	for _, p := range u.GetPlacements() {
		k.stays = append(k.stays, stay{shop: lastID(p.GetShop()), from: p.GetStartTime().AsTime()})
	}
	slices.SortFunc(k.stays, func(a, b stay) int { return a.from.Compare(b.from) })
	if len(k.stays) == 0 {
		k.stays = []stay{{shop: lastID(u.GetShop())}}
	}
	if have, ok := w.units[k.tag]; ok && have.origin == nil && have.retired.IsZero() && !k.retired.IsZero() {
		return
	}
	w.units[k.tag] = k
}

// at returns the shop where the unit was at an instant.
func (u *knownUnit) at(t time.Time) string {
	shop := u.stays[0].shop
	for _, s := range u.stays[1:] {
		if !s.from.After(t) {
			shop = s.shop
		}
	}
	return shop
}

// was says whether the unit was ever at the shop.
func (u *knownUnit) was(shop string) bool {
	return slices.ContainsFunc(u.stays, func(s stay) bool { return s.shop == shop })
}

func (u *knownUnit) shop() string { return u.stays[len(u.stays)-1].shop }

// nearTo returns the known word that differs least from what was written, "" if none is near.
func nearTo[V any](what string, known map[string]V) string {
	const most = 20_000 // more would take too long for one cell
	if len(known) > most || len(what) > 60 {
		return ""
	}
	best, at := "", max(len(what)/4, 1)+1
	for k := range known {
		if strings.EqualFold(k, what) {
			return k
		}
		if max(len(k)-len(what), len(what)-len(k)) >= at {
			continue
		}
		if d := distance(strings.ToLower(what), strings.ToLower(k)); d < at || d == at && best != "" && cmp.Compare(k, best) < 0 {
			best, at = k, d
		}
	}
	return best
}
