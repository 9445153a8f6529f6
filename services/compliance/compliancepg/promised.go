package compliancepg

import (
	"bytes"
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// PromiseUnits returns the units that a query asks for, by tag, with what people placed on them and all that is promised of them: in one trip,
// however many they are.
func (r *Reader) PromiseUnits(ctx context.Context, q compliance.PromiseQuery) ([]*promise.Unit, error) {
	return promiseUnits(ctx, r.tx, r.org, q)
}

// promiseUnits is PromiseUnits within a transaction.
func promiseUnits(ctx context.Context, tx pgx.Tx, org tenant.Org, q compliance.PromiseQuery) ([]*promise.Unit, error) {
	batch := &pgx.Batch{}
	read := queuePromise(batch, org, q)
	if err := tx.SendBatch(ctx, batch).Close(); err != nil {
		return nil, pg.Err(err)
	}
	return read(), nil
}

// queuePromise queues what PromiseUnits reads. Once the batch has been read, read returns the units.
func queuePromise(batch *pgx.Batch, org tenant.Org, q compliance.PromiseQuery) (read func() []*promise.Unit) {
	at := q.At
	if at.IsZero() {
		at = q.Now
	}
	read, _ = queueLifted(batch, org, q, at)
	return read
}

// queueLifted is queuePromise with the instant by which holds must have been lifted not to count. lifted has the last of those that were lifted later, by unit.
func queueLifted(batch *pgx.Batch, org tenant.Org, q compliance.PromiseQuery, at time.Time) (read func() []*promise.Unit, lifted map[uuid.UUID]time.Time) {
	where, args := promiseWhere(org, q)
	var units []*promise.Unit
	byID := map[uuid.UUID]*promise.Unit{}
	batch.Queue(`select r.unit_id, r.tag, r.kind, r.size, r.shop, r.host_id, r.retired, r.since, r.ok_from, r.ok_until, r.more,
			r.left_dives, r.left_hours, r.left_fills, r.left_sure, r.members
		from p_ready as r where `+where, args...).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			u, err := scanPromise(rows)
			if err != nil {
				return err
			}
			units = append(units, u)
			byID[u.ID] = u
		}
		return rows.Err()
	})
	claimArgs := append(slices.Clone(args), q.Now)
	now := "$" + strconv.Itoa(len(claimArgs))
	batch.Queue(`select a.unit_id, a.allocation_id, lower(a.during), upper(a.during), a.dives, a.hours, a.fills, a.state, a.expires
		from p_ready as r join allocations as a on a.org_id = $1 and a.unit_id = r.unit_id and a.state <= 3
		where `+where+` and (a.state <> 1 or a.expires > `+now+`) and (a.state = 3 or upper(a.during) > `+now+`)`, claimArgs...).Query(func(rows pgx.Rows) error {
		var unit uuid.UUID
		var c promise.Claim
		var hours int64
		var state compliance.AllocationState
		var expires *time.Time
		_, err := pgx.ForEachRow(rows, []any{&unit, &c.Allocation, &c.Start, &c.End, &c.Expected.Dives, &hours, &c.Expected.Fills, &state, &expires}, func() error {
			claim := c
			claim.Start, claim.End, claim.Expected.Hours, claim.Out = c.Start.UTC(), c.End.UTC(), time.Duration(hours), state == compliance.Out
			if state == compliance.Held {
				claim.Expires = instantOf(expires)
			}
			if u := byID[unit]; u != nil {
				u.Claims = append(u.Claims, claim)
			}
			return nil
		})
		return err
	})
	held, lifted := map[uuid.UUID]struct{}{}, map[uuid.UUID]time.Time{}
	heldArgs := append(slices.Clone(args), at)
	n := strconv.Itoa(len(heldArgs))
	// Unit by unit: how few of the holds block hand-out is not for the planner to guess.
	const holds = `cross join lateral (select h.lifted from holds_manual as h where h.org_id = $1 and h.unit_id = `
	open := ` and h.blocks & 1 = 1 and (h.lifted is null or h.lifted > $` + n + `) offset 0) as h `
	batch.Queue(`select r.unit_id, h.lifted from p_ready as r `+holds+`r.unit_id`+open+`where `+where+`
		union all
		select r.unit_id, h.lifted from p_ready as r cross join lateral unnest(r.members) as m (unit_id) `+holds+`m.unit_id`+open+`where `+where+` and r.members <> '{}'`, heldArgs...).Query(func(rows pgx.Rows) error {
		var unit uuid.UUID
		var end *time.Time
		_, err := pgx.ForEachRow(rows, []any{&unit, &end}, func() error {
			held[unit] = struct{}{}
			if end == nil {
				lifted[unit] = endOfTime
			} else if end.After(lifted[unit]) {
				lifted[unit] = end.UTC()
			}
			return nil
		})
		return err
	})
	return func() []*promise.Unit {
		for _, u := range units {
			slices.SortFunc(u.Claims, func(a, b promise.Claim) int {
				if c := a.Start.Compare(b.Start); c != 0 {
					return c
				}
				return bytes.Compare(a.Allocation[:], b.Allocation[:])
			})
			_, u.Held = held[u.ID]
		}
		slices.SortFunc(units, func(a, b *promise.Unit) int {
			if c := strings.Compare(a.Tag, b.Tag); c != 0 {
				return c
			}
			return bytes.Compare(a.ID[:], b.ID[:])
		})
		return units
	}, lifted
}

// promiseWhere returns the condition on the rows r of p_ready that a query asks for.
func promiseWhere(org tenant.Org, q compliance.PromiseQuery) (where string, args []any) {
	args = []any{org.UUID, q.At}
	where = `r.org_id = $1 and (r.retired is null or r.retired > $2)`
	and := func(condition string, arg any) {
		args = append(args, arg)
		where += " and " + condition + strconv.Itoa(len(args))
		if strings.HasSuffix(condition, "($") {
			where += ")"
		}
	}
	switch {
	case len(q.Kinds) == 1:
		and("r.kind = $", q.Kinds[0])
	case len(q.Kinds) > 1:
		and("r.kind = any ($", q.Kinds)
	case len(q.Units) == 0:
		where += " and r.host_id is null"
	}
	if q.Shop != "" {
		and("r.shop = $", q.Shop)
	}
	if len(q.Sizes) > 0 {
		and("r.size = any ($", q.Sizes)
	}
	if len(q.Units) > 0 {
		and("r.unit_id = any ($", q.Units)
	}
	return where, args
}

func scanPromise(row pgx.Row) (*promise.Unit, error) {
	u := &promise.Unit{}
	var host *uuid.UUID
	var retired, since, from, until *time.Time
	err := row.Scan(&u.ID, &u.Tag, &u.Kind, &u.Size, &u.Shop, &host, &retired, &since, &from, &until, &u.More,
		&u.Left.Dives, &u.Left.Hours, &u.Left.Fills, &u.Left.Sure, &u.Members)
	if host != nil {
		u.Host = *host
	}
	u.Retired, u.Since = instantOf(retired), instantOf(since)
	u.OK = promise.Stretch{From: instantOf(from), Until: instantOf(until), None: from == nil}
	return u, err
}

// Judge says which units may be promised for a window in which so much use is expected, beside everything that is promised of them. but names
// the allocation of a unit that does not count, uuid.Nil for none; nil if all do. Those of which too little is known are derived.
func (r *Reader) Judge(ctx context.Context, units []*promise.Unit, w promise.Window, expected due.Amount, now time.Time, but func(*promise.Unit) uuid.UUID) (available []bool, err error) {
	return judge(units, w, expected, now, but, func(ids []uuid.UUID) ([]*compliance.Set, error) { return r.Sets(ctx, ids, w.Start) })
}

func judge(units []*promise.Unit, w promise.Window, expected due.Amount, now time.Time, but func(*promise.Unit) uuid.UUID, read func(ids []uuid.UUID) ([]*compliance.Set, error)) (available []bool, err error) {
	available = make([]bool, len(units))
	var unsure []int
	var ids []uuid.UUID
	for i, u := range units {
		switch u.For(w, expected, now, leftAside(but, u)) {
		case promise.Yes:
			available[i] = true
		case promise.Unsure:
			unsure, ids = append(unsure, i), append(ids, u.ID)
		case promise.No:
		}
	}
	if len(ids) == 0 {
		return available, nil
	}
	sets, err := read(ids)
	if err != nil {
		return nil, err
	}
	for n, i := range unsure {
		available[i] = len(sets[n].Window(w.Start, w.End, units[i].Promised(leftAside(but, units[i])).Plus(expected))) == 0
	}
	return available, nil
}

func leftAside(but func(*promise.Unit) uuid.UUID, u *promise.Unit) uuid.UUID {
	if but == nil {
		return uuid.Nil
	}
	return but(u)
}

// Against returns why units may not be promised for a window, each with its set; no reasons for those that may. The rest is as for Judge.
func (r *Reader) Against(ctx context.Context, units []*promise.Unit, w promise.Window, expected due.Amount, now time.Time, but func(*promise.Unit) uuid.UUID) ([]*compliance.Set, [][]due.Reason, error) {
	return against(units, w, expected, now, but, func(ids []uuid.UUID) ([]*compliance.Set, error) { return r.Sets(ctx, ids, w.Start) })
}

func against(units []*promise.Unit, w promise.Window, expected due.Amount, now time.Time, but func(*promise.Unit) uuid.UUID, read func(ids []uuid.UUID) ([]*compliance.Set, error)) ([]*compliance.Set, [][]due.Reason, error) {
	if len(units) == 0 {
		return nil, nil, nil
	}
	ids := make([]uuid.UUID, len(units))
	for i, u := range units {
		ids[i] = u.ID
	}
	sets, err := read(ids)
	if err != nil {
		return nil, nil, err
	}
	out := make([][]due.Reason, len(units))
	for i, u := range units {
		out[i] = compliance.Against(u, sets[i], w, expected, now, leftAside(but, u))
	}
	return sets, out, nil
}
