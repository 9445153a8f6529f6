package compliancepg

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
)

// selectTaken is the parts of $2, directly or through others, at any time from $3 to $4 that are no parts of it at $4, nor of another such part, whose use reaches them; without
// those that are retired by then, which no use is recorded of.
const selectTaken = `with recursive down (unit_id, since, upto, still) as (
		select $2::uuid, $3::timestamptz, $4::timestamptz, true
	union
		select f.part_id, greatest(d.since, f.fitted), least(d.upto, f.unfitted), d.still and f.fitted <= $4 and (f.unfitted is null or f.unfitted > $4) from down as d cross join lateral (
			select f.part_id, f.fitted, f.unfitted from p_fittings as f where f.org_id = $1 and f.host_id = d.unit_id
				and f.fitted < d.upto and (f.unfitted is null or f.unfitted > d.since) offset 0) as f
	), taken as (
		select d.unit_id from down as d group by d.unit_id having not bool_or(d.still)
	)
	select t.unit_id from taken as t join p_units as u on u.org_id = $1 and u.unit_id = t.unit_id
	where (u.retired is null or u.retired > $4) and not exists (select from p_fittings as f join taken as h on h.unit_id = f.host_id
		where f.org_id = $1 and f.part_id = t.unit_id and f.fitted <= $4 and (f.unfitted is null or f.unfitted > $4))
	order by t.unit_id`

// taken notes which parts had come off what comes back. What was not heard of them when that was first begun may be known by a repeat.
func (t *promising) taken(ctx context.Context, b *compliance.ReturnBegun) error {
	rows, err := t.tx.Query(ctx, selectTaken, t.org.UUID, b.Unit, b.HandedOut, latest(b.At, b.HandedOut.Add(time.Microsecond)))
	if err != nil {
		return pg.Err(err)
	}
	b.Taken, err = pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	return pg.Err(err)
}
