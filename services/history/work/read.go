package work

import (
	"context"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order"
)

// Get reads an order, and what keeps it from being signed as passed now while it is open. The signer's qualification is not looked at.
func (d *Desk) Get(ctx context.Context, org tenant.Org, id uuid.UUID) (*Job, error) {
	var k *known
	var j *Job
	err := d.store.Read(ctx, org, func(ctx context.Context, tx history.Bench) error {
		rows, err := tx.OrderRows(ctx, id)
		if err != nil {
			return err
		}
		if k, err = read(org, rows); err != nil {
			return err
		}
		j, err = jobOf(org, id, k)
		return err
	})
	if err != nil || j.Order.Signature != nil || j.Order.Closing != nil {
		return j, err
	}
	o := j.Order.Opening
	p, err := d.procedures.Procedure(ctx, org, o.Procedure, o.Revision)
	if err != nil {
		return nil, err
	}
	place, err := d.registry.Place(ctx, org, j.Shop)
	if err != nil {
		return nil, err
	}
	f := order.Facts{At: d.clock.Now(), Zone: place.Zone, Jurisdiction: place.Jurisdiction, Outcome: order.Pass, Qualifications: []order.Qualification{{Activity: p.Qualification}}}
	j.Procedure = p
	return j, d.store.Read(ctx, org, func(ctx context.Context, tx history.Bench) (err error) {
		j.Problems, err = ready(ctx, tx, org, k.events, p, f)
		return err
	})
}

// Fold folds the rows of an order.
func Fold(org tenant.Org, id uuid.UUID, rows []*history.Row) (*Job, error) {
	k, err := read(org, rows)
	if err != nil {
		return nil, err
	}
	return jobOf(org, id, k)
}

func jobOf(org tenant.Org, id uuid.UUID, k *known) (*Job, error) {
	opening := k.byID[id]
	if opening == nil || opening.Event.Opened == nil {
		return nil, errs.Missing(resname.OrderName(org, id))
	}
	byTime(k.events)
	return &Job{ID: id, Unit: opening.Unit, Shop: opening.Shop, Order: fold(k.events), Events: k.events}, nil
}
