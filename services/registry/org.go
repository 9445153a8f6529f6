package registry

import (
	"context"
	"time"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// Org is a chain of shops, the tenant.
type Org struct {
	ID          string
	DisplayName string
	Created     time.Time
}

// Shop is one place of a chain.
type Shop struct {
	ID               string
	DisplayName      string
	TimeZone         string // IANA name
	Jurisdiction     string // ISO 3166-1 alpha-2 or ISO 3166-2
	Version          int64
	Created, Updated time.Time
}

// CreateOrg creates an org and its log. It fails with ALREADY_EXISTS.
func (r *Registry) CreateOrg(ctx context.Context, org tenant.Org, now time.Time, o Org) (Org, int64, error) {
	if err := text("org.display_name", o.DisplayName).Err(); err != nil {
		return Org{}, 0, err
	}
	o.ID, o.Created = org.ID, now
	position, err := r.store.Found(ctx, org, now, func(ctx context.Context, tx Tx) error {
		fresh, err := tx.InsertOrg(ctx, o)
		if err != nil {
			return err
		}
		if !fresh {
			return errs.Taken(org.Name())
		}
		return tx.Record(ctx, Change{Org: &o})
	})
	return o, position, err
}

// check holds the rules against a shop.
func (s Shop) check() Problems {
	ps := text("display_name", s.DisplayName)
	if _, ok := Zone(s.TimeZone); !ok {
		ps = append(ps, invalid("time_zone", s.TimeZone, "is not a time zone of the IANA database; want a name such as Europe/Lisbon"))
	}
	return ps
}

// diff lists the fields in which a shop's content differs from another's, with what the other has.
func (s Shop) diff(o Shop) (d differences) {
	d.text("display_name", s.DisplayName, o.DisplayName)
	d.text("time_zone", s.TimeZone, o.TimeZone)
	d.text("jurisdiction", s.Jurisdiction, o.Jurisdiction)
	return d
}

// CreateShop creates a shop. It fails with ALREADY_EXISTS.
func (r *Registry) CreateShop(ctx context.Context, org tenant.Org, now time.Time, s Shop) (Shop, int64, error) {
	if err := s.check().Under("shop.").Err(); err != nil {
		return Shop{}, 0, err
	}
	s.Version, s.Created, s.Updated = 1, now, now
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		have, err := tx.Shops(ctx, []string{s.ID})
		if err != nil {
			return err
		}
		if _, ok := have[s.ID]; ok {
			return errs.Taken(resname.ShopName(org, s.ID))
		}
		if err := tx.InsertShops(ctx, []Shop{s}); err != nil {
			return err
		}
		return tx.Record(ctx, Change{Shop: &s})
	})
	return s, position, err
}

// UpdateShop changes a shop; edit is given the present one. Without a difference nothing is written. It fails with
// NOT_FOUND and ETAG_MISMATCH.
func (r *Registry) UpdateShop(ctx context.Context, org tenant.Org, now time.Time, id, etag string, edit func(*Shop)) (Shop, int64, error) {
	var out Shop
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		name := resname.ShopName(org, id)
		have, err := tx.Shops(ctx, []string{id})
		if err != nil {
			return err
		}
		old, ok := have[id]
		if !ok {
			return errs.Missing(name)
		}
		if err := checkEtag(name, old.Version, etag); err != nil {
			return err
		}
		s := old
		edit(&s)
		if err := s.check().Under("shop.").Err(); err != nil {
			return err
		}
		if len(s.diff(old)) == 0 {
			out = old
			return nil
		}
		s.Version, s.Updated = old.Version+1, now
		if err := tx.UpdateShop(ctx, s); err != nil {
			return err
		}
		out = s
		return tx.Record(ctx, Change{Shop: &s})
	})
	return out, position, err
}
