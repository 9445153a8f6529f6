package compliancepg

import (
	"context"
	"time"

	"strandline.example/strandline/services/compliance"
)

// Shops returns the org's shops.
func (r *Reader) Shops(ctx context.Context) (map[string]compliance.Shop, error) {
	return readShops(ctx, r.tx, r.org, nil, time.Time{})
}

// ZoneOf returns a shop's time zone.
func ZoneOf(s compliance.Shop) *time.Location { return zone(s.Zone) }
