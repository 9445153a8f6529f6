package compliancepg

import (
	"context"
	"slices"
	"sync"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// holdsThen returns the first of the holds there were at an instant, as known at another, after the query's key: as many as the page and
// one more, if there are.
func (r *Reader) holdsThen(ctx context.Context, q compliance.HoldQuery) (out []compliance.HoldRow, err error) {
	packs, err := r.Packs(ctx)
	if err != nil {
		return nil, err
	}
	stored := q.Known.IsZero() && covered(packs, q.At) // the rows know everything
	if stored {
		if out, err = r.holdsStored(ctx, q); err != nil {
			return nil, err
		}
	}
	late, err := r.holdsDerived(ctx, q, !stored)
	if err != nil {
		return nil, err
	}
	if len(late) > 0 {
		out = append(out, late...)
		slices.SortFunc(out, func(a, b compliance.HoldRow) int { return a.Key().Compare(b.Key()) })
	}
	return out[:min(len(out), q.Limit+1)], nil
}

// holdsDerived returns the holds of units to which something happened after the instant, or of all, after the query's key and in no order.
func (r *Reader) holdsDerived(ctx context.Context, q compliance.HoldQuery, all bool) (out []compliance.HoldRow, err error) {
	units, err := r.holdUnits(ctx, q, all)
	if err != nil {
		return nil, err
	}
	var hosts []uuid.UUID
	var adding sync.Mutex
	if err := r.eachChunk(ctx, units, false, q.Known, func(f *facts, chunk []uuid.UUID) error {
		var rows []compliance.HoldRow
		var fittedTo []uuid.UUID
		for _, id := range chunk {
			d := due.Derive(f.input(id, false), q.At, q.Known)
			if q.Shop != "" && d.Stay.Shop != q.Shop || q.Unit == uuid.Nil && !d.Retired.IsZero() && !q.At.Before(d.Retired) {
				continue
			}
			for _, h := range d.Holds {
				row := compliance.HoldRow{Hold: h, Tag: f.tags[id], Kind: f.units[id].Kind, Shop: d.Stay.Shop}
				if h.Opened.After(q.At) || !q.Lifted && !h.OpenAt(q.At) || q.After != nil && row.Key().Compare(*q.After) <= 0 {
					continue
				}
				rows, fittedTo = append(rows, row), append(fittedTo, d.Host)
			}
		}
		adding.Lock()
		defer adding.Unlock()
		out, hosts = append(out, rows...), append(hosts, fittedTo...)
		return nil
	}); err != nil {
		return nil, err
	}
	tags, err := r.Tags(ctx, hosts, q.Known)
	for i := range out {
		out[i].HostTag = tags[hosts[i]]
	}
	return out, err
}

// holdUnits returns the units whose holds are derived: the one asked for, retired or not, or those that had not left the fleet.
func (r *Reader) holdUnits(ctx context.Context, q compliance.HoldQuery, all bool) ([]uuid.UUID, error) {
	if q.Unit == uuid.Nil {
		return r.unsettled(ctx, compliance.DueQuery{Shop: q.Shop, At: q.At, Known: q.Known}, all)
	}
	rows, err := r.tx.Query(ctx, `select unit_id from p_units where org_id = $1 and unit_id = $2 and ($3 or settled > $4)`, r.org.UUID, q.Unit, all, q.At)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return out, pg.Err(err)
}
