package compliancepg

import (
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// recalledState is where the unit u with the hold h of a recall stands at $3: a compliance.RecallState. A release is told by its row.
const recalledState = `case
		when h.lifted <= $3 and h.proof is not null then 2
		when h.lifted <= $3 and exists (select from recall_releases as l where l.org_id = $1 and l.unit_id = h.unit_id and l.recall = substr(h.hold_id, 8) and l.released = h.lifted) then 3
		when h.lifted <= $3 then 4
		when u.retired <= $3 then 5
		else 1 end`

// fromRecalled reads the units of a recall by index, whatever the planner thinks of their number.
const fromRecalled = ` from unit_holds as h cross join lateral (select * from p_units as u where u.org_id = $1 and u.unit_id = h.unit_id offset 0) as u
	where h.org_id = $1 and h.hold_id = $2 and h.cause = 7 `

// progress counts the units of a recall at an instant.
func progress(ctx context.Context, tx pgx.Tx, org tenant.Org, id string, at time.Time) (p compliance.RecallProgress, err error) {
	rows, err := tx.Query(ctx, `select s.state, count(*) from (select `+recalledState+` as state`+fromRecalled+`) as s group by s.state`, org.UUID, due.RecallHold(id), at)
	if err != nil {
		return p, pg.Err(err)
	}
	var state int16
	var n int64
	_, err = pgx.ForEachRow(rows, []any{&state, &n}, func() error {
		switch compliance.RecallState(state) {
		case compliance.RecallHeld:
			p.Held = n
		case compliance.RecallRemedied:
			p.Remedied = n
		case compliance.RecallReleased:
			p.Released = n
		case compliance.RecallRetired:
			p.Retired = n
		}
		return nil
	})
	return p, pg.Err(err)
}

const recalledColumns = `select u.unit_id, u.tag, u.serial, u.kind, u.shop, ` + recalledState + `, h.lifted, h.proof, h.lifter, h.lift_reason`

func scanRecalled(row pgx.CollectableRow) (u compliance.RecalledUnit, err error) {
	var state int16
	var lifted *time.Time
	var proof *uuid.UUID
	err = row.Scan(&u.Unit, &u.Tag, &u.Serial, &u.Kind, &u.Shop, &state, &lifted, &proof, &u.Lifter, &u.LiftReason)
	u.State, u.Lifted = compliance.RecallState(state), instantOf(lifted)
	if proof != nil {
		u.Proof = *proof
	}
	return u, err
}

// recalledUnit returns one of a recall's units, NOT_FOUND if it is none.
func recalledUnit(ctx context.Context, tx pgx.Tx, org tenant.Org, id string, unit uuid.UUID, at time.Time) (compliance.RecalledUnit, error) {
	rows, err := tx.Query(ctx, recalledColumns+fromRecalled+`and h.unit_id = $4`, org.UUID, due.RecallHold(id), at, unit)
	if err != nil {
		return compliance.RecalledUnit{}, pg.Err(err)
	}
	u, err := pgx.CollectExactlyOneRow(rows, scanRecalled)
	return u, one(err, resname.UnitName(org, unit)+" among the units of "+resname.RecallName(org, id))
}

// Recall returns a recall and how far it has come at an instant.
func (r *Reader) Recall(ctx context.Context, id string, at time.Time) (compliance.RecallRecord, compliance.RecallProgress, error) {
	rec, err := readRecall(ctx, r.tx, r.org, id)
	if err != nil {
		return rec, compliance.RecallProgress{}, err
	}
	p, err := progress(ctx, r.tx, r.org, id, at)
	return rec, p, err
}

// Recalls returns a page of recalls, and whether there is more.
func (r *Reader) Recalls(ctx context.Context, q compliance.RecallQuery) (out []compliance.RecallRecord, more bool, err error) {
	args, where := []any{r.org.UUID, q.Limit + 1}, `where r.org_id = $1`
	if !q.Ended {
		where += ` and r.ended is null`
	}
	if q.After != nil {
		args = append(args, q.After.Opened, q.After.ID)
		where += ` and (r.opened, r.recall) < ($3, $4)`
	}
	rows, err := r.tx.Query(ctx, selectRecall+where+` order by r.opened desc, r.recall desc limit $2`, args...)
	if err != nil {
		return nil, false, pg.Err(err)
	}
	if out, err = pgx.CollectRows(rows, scanRecall); err != nil {
		return nil, false, pg.Err(err)
	}
	if len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, nil
}

// RecalledUnits returns a page of the units that a recall covers, by shop, asset tag and id, and whether there is more.
func (r *Reader) RecalledUnits(ctx context.Context, q compliance.RecalledQuery) (out []compliance.RecalledUnit, more bool, err error) {
	if _, err := readRecall(ctx, r.tx, r.org, q.Recall); err != nil {
		return nil, false, err
	}
	args := []any{r.org.UUID, due.RecallHold(q.Recall), q.At}
	arg := func(v any) string {
		args = append(args, v)
		return "$" + strconv.Itoa(len(args))
	}
	where := ""
	if q.Held {
		where += ` and (h.lifted is null or h.lifted > $3) and (u.retired is null or u.retired > $3)`
	}
	if q.Shop != "" {
		where += ` and u.shop = ` + arg(q.Shop)
	}
	if k := q.After; k != nil {
		where += ` and (u.shop collate "C", u.tag collate "C", u.unit_id) > (` + arg(k.Shop) + `, ` + arg(k.Tag) + `, ` + arg(k.Unit) + `)`
	}
	rows, err := r.tx.Query(ctx, recalledColumns+fromRecalled+where+` order by u.shop collate "C", u.tag collate "C", u.unit_id limit `+arg(q.Limit+1), args...)
	if err != nil {
		return nil, false, pg.Err(err)
	}
	if out, err = pgx.CollectRows(rows, scanRecalled); err != nil {
		return nil, false, pg.Err(err)
	}
	if len(out) > q.Limit {
		out, more = out[:q.Limit], true
	}
	return out, more, nil
}

// Covered returns the units of the fleet that a recall would hold at an instant, by shop, asset tag and id.
func (r *Reader) Covered(ctx context.Context, c *due.Recall, at time.Time) (out []compliance.RecalledUnit, err error) {
	kinds := c.Scope.Kinds
	if len(kinds) == 0 {
		kinds = nil
	}
	where, args := kindsAndLots(kinds, c.Lots)
	units, err := unitIDs(ctx, r.tx, where+` and (retired is null or retired > $4)`, append(append([]any{r.org.UUID}, args...), at)...)
	if err != nil {
		return nil, err
	}
	for chunk := range slices.Chunk(units, recomputeChunk) {
		var f facts
		if err := f.loadUnits(ctx, r.tx, r.org, chunk); err != nil {
			return nil, err
		}
		uses, err := readLotUses(ctx, r.tx, r.org, chunk, c.Lots)
		if err != nil {
			return nil, err
		}
		for id, u := range f.units {
			if c.Covers(&u, uses[id]) {
				out = append(out, compliance.RecalledUnit{Unit: id, Tag: f.tags[id], Serial: u.Serial, Kind: u.Kind, Shop: due.LastStay(&u).Shop, State: compliance.RecallCovered})
			}
		}
	}
	slices.SortFunc(out, func(a, b compliance.RecalledUnit) int { return a.Key().Compare(b.Key()) })
	return out, nil
}
