package registry

import (
	"context"
	"time"

	"strandline.example/strandline/internal/errs"
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
	return shops.make(ctx, r, org, now, s)
}

// UpdateShop changes a shop; edit is given the present one. Without a difference nothing is written. It fails with
// NOT_FOUND and ETAG_MISMATCH.
func (r *Registry) UpdateShop(ctx context.Context, org tenant.Org, now time.Time, id, etag string, edit func(*Shop)) (Shop, int64, error) {
	return shops.edit(ctx, r, org, now, id, etag, edit, nil)
}
