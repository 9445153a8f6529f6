package compliancepg

import (
	"context"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// Holds returns a page of holds, derived and placed by people, and whether there is more. Each source is read from its own
// index, newest first, as far as the page needs; the few that end in the future are found by when they end. About the past, units to
// which something happened since are derived, and all are when it is asked what was known once.
func (r *Reader) Holds(ctx context.Context, q compliance.HoldQuery) (out []compliance.HoldRow, more bool, err error) {
	if q.Past {
		out, err = r.holdsThen(ctx, q)
	} else {
		out, err = r.holdsStored(ctx, q)
	}
	if err == nil && len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, err
}

// holdsStored reads the page and one more from the rows; about the past, of units to which nothing has happened since.
func (r *Reader) holdsStored(ctx context.Context, q compliance.HoldQuery) (out []compliance.HoldRow, err error) {
	args := []any{r.org.UUID, q.At, q.Limit + 1}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	var unit, units, after, afterManual string
	if q.Unit != uuid.Nil {
		unit = " and h.unit_id = " + arg(q.Unit)
	} else {
		units = " and (u.retired is null or u.retired > $2)"
	}
	if q.Shop != "" {
		units += " and u.shop = " + arg(q.Shop)
	}
	var begun, placed string
	if q.Past {
		units += " and (u.settled is null or u.settled <= $2)"
		begun, placed = " and h.opened <= $2", " and h.placed <= $2"
	}
	if k := q.After; k != nil {
		opened, id, hold := arg(k.Opened), arg(k.Unit), arg(k.ID)
		after = " and (h.opened, h.unit_id, h.hold_id) < (" + opened + ", " + id + ", " + hold + ")"
		afterManual = " and (h.placed, h.unit_id, h.hold_id::text collate \"C\") < (" + opened + ", " + id + ", " + hold + ")"
	}
	const join = " join p_units as u on u.org_id = $1 and u.unit_id = h.unit_id where h.org_id = $1"
	const more3 = " limit $3)"
	derived := func(state string) string {
		return "(select " + holdFields + " from unit_holds as h" + join + unit + units + after + state + " order by h.opened desc, h.unit_id desc, h.hold_id desc" + more3
	}
	manual := func(state string) string {
		return "(select " + manualFields + " from holds_manual as h" + join + unit + units + afterManual + state + ` order by h.placed desc, h.unit_id desc, h.hold_id::text collate "C" desc` + more3
	}
	sources := derived(" and h.lifted is null and h.opened <= $2") + " union all " + derived(" and h.lifted > $2 and h.opened <= $2") + " union all " +
		manual(" and h.lifted is null"+placed) + " union all " + manual(" and h.lifted > $2"+placed)
	if q.Lifted {
		sources = derived(begun) + " union all " + manual(placed)
	}
	rows, err := r.tx.Query(ctx, `select h.*, u.tag, u.kind, u.shop, coalesce(host.tag, '') from (`+sources+`) as h
		join p_units as u on u.org_id = $1 and u.unit_id = h.unit_id
		left join p_units as host on host.org_id = $1 and host.unit_id = u.host_id
		where $2::timestamptz is not null -- always true; it gives the parameter a type where no source reads it
		order by h.opened desc, h.unit_id desc, h.hold_id collate "C" desc limit $3`, args...)
	if err != nil {
		return nil, pg.Err(err)
	}
	var s holdScan
	var row compliance.HoldRow
	_, err = pgx.ForEachRow(rows, append(s.targets(), &row.Tag, &row.Kind, &row.Shop, &row.HostTag), func() error {
		next := row
		next.Hold = s.hold()
		if h := &next.Hold; q.Past && h.Cause == due.CauseManual && h.Lifted.After(q.At) {
			h.Lifted, h.Lifter, h.LiftReason = time.Time{}, "", ""
		}
		out = append(out, next)
		return nil
	})
	return out, pg.Err(err)
}

// Hold returns one hold of a unit, derived or placed by a person.
func (r *Reader) Hold(ctx context.Context, unit uuid.UUID, id string) (due.Hold, error) {
	holds, err := readHolds(ctx, r.tx, r.org, []uuid.UUID{unit}, true)
	if err != nil {
		return due.Hold{}, err
	}
	for _, h := range holds[unit] {
		if h.ID == id {
			return h, nil
		}
	}
	return due.Hold{}, errs.Missing(resname.HoldName(r.org, unit, id))
}

// Exists returns NOT_FOUND unless the unit is in the projection.
func (r *Reader) Exists(ctx context.Context, unit uuid.UUID) error {
	return mustExist(ctx, r.tx, r.org, unit)
}
