package compliancepg

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// promising is one transaction that changes allocations. It holds the lock of the org's head, so that whoever promises, hands out, takes back or
// reviews in an org does so one after the other, and what it read stays as it is.
type promising struct {
	store *Store
	org   tenant.Org
	tx    pgx.Tx
	now   time.Time

	added    []*compliance.Allocation
	changed  []*compliance.Allocation
	position compliance.Position // after it
}

// promise runs fn in a transaction that changes allocations, and writes what fn left in it. What read queues is read in one trip with the head's lock, after
// it. It joins the transaction in ctx.
func (s *Store) promise(ctx context.Context, org tenant.Org, change compliance.OwnChange, fn func(ctx context.Context, t *promising) error, read ...func(batch *pgx.Batch)) (compliance.Position, error) {
	var t *promising
	err := s.db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
		t = &promising{store: s, org: org, tx: tx, now: change.At}
		batch, number := &pgx.Batch{}, int64(0)
		queueChange(batch, org, change, &number)
		for _, queue := range read {
			queue(batch)
		}
		if err := tx.SendBatch(ctx, batch).Close(); err != nil {
			return pg.Err(err)
		}
		if err := fn(ctx, t); err != nil {
			return err
		}
		return t.write(ctx)
	})
	if err != nil {
		return compliance.Position{}, err
	}
	return t.position, nil
}

// ended ends what was not confirmed in time, or not collected before its window ended, of units that are promised now: to the constraint it is live until then. What has
// run out of others, a review ends.
const ended = `update allocations as a set state = 6, number = ` + thisChange + `, expires = case when a.state = 1 and a.expires <= $2 then a.expires end,
		finished = greatest(case when a.state = 1 and a.expires <= $2 then a.expires else upper(a.during) end, a.created),
		finish_reason = case when a.state = 1 and a.expires <= $2 then '' else '` + compliance.NotCollected + `' end
	from unnest($3::uuid[]) as k (unit_id)
	where a.org_id = $1 and a.unit_id = k.unit_id and a.state <= 2 and (a.state = 1 and a.expires <= $2 or upper(a.during) <= $2)`

// write writes what was added and changed, in one trip.
func (t *promising) write(ctx context.Context) error {
	batch := &pgx.Batch{}
	var number int64
	batch.Queue(watchOn, t.org.UUID).QueryRow(func(row pgx.Row) error { return row.Scan(&number) })
	if units := t.units(); len(units) > 0 {
		batch.Queue(ended, t.org.UUID, t.now, units)
	}
	for _, a := range t.changed {
		queueAllocation(batch, t.org, a)
	}
	queueAllocations(batch, t.org, t.added)
	batch.Queue(selectPosition, t.org.UUID).QueryRow(func(row pgx.Row) error {
		return row.Scan(&t.position.Registry, &t.position.History, &t.position.Compliance)
	})
	err := t.tx.SendBatch(ctx, batch).Close()
	if pg.HasConstraint(err, "allocations_no_overlap") || pg.HasConstraint(err, "allocations_out") {
		return errs.New(errs.Conflict, "CONFLICT", "somebody else took a unit at the same time; try again").Because(err)
	}
	for _, all := range [][]*compliance.Allocation{t.added, t.changed} {
		for _, a := range all {
			a.Number = number
		}
	}
	return pg.Err(err)
}

// units returns the units that are promised, each once.
func (t *promising) units() (out []uuid.UUID) {
	seen := map[uuid.UUID]bool{}
	for _, all := range [][]*compliance.Allocation{t.added, t.changed} {
		for _, a := range all {
			if a.State.Live() && !seen[a.Unit] {
				seen[a.Unit] = true
				out = append(out, a.Unit)
			}
		}
	}
	return out
}

// load returns the allocations of a choice, by outfit and kind, locked by the head that is held. Of a group it returns those in one of the states.
func (t *promising) load(ctx context.Context, c compliance.AllocationChoice, states ...compliance.AllocationState) ([]*compliance.Allocation, error) {
	where, arg := `a.allocation_id = any ($2)`, any(c.IDs)
	if c.Group != uuid.Nil {
		where, arg = `a.group_id = $2`, c.Group
	}
	rows, err := t.tx.Query(ctx, selectAllocation+`where a.org_id = $1 and `+where+` order by a.outfit, a.kind, a.allocation_id`, t.org.UUID, arg)
	if err != nil {
		return nil, pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*compliance.Allocation, error) {
		a, err := scanAllocation(row)
		return &a, err
	})
	if err != nil {
		return nil, pg.Err(err)
	}
	if c.Group != uuid.Nil {
		return t.ofGroup(all, c.Group, states)
	}
	byID := map[uuid.UUID]*compliance.Allocation{}
	for _, a := range all {
		byID[a.ID] = a
	}
	for _, id := range c.IDs {
		a := byID[id]
		if a == nil {
			return nil, errs.Missing(resname.AllocationName(t.org, id))
		}
		if !t.in(a, states) {
			return nil, wrongState(t.org, a, t.now, states)
		}
	}
	return all, nil
}

func (t *promising) in(a *compliance.Allocation, states []compliance.AllocationState) bool {
	return slices.Contains(states, a.State) && !a.Ended(t.now)
}

// ofGroup returns those of a group that are in one of the states. If there are none, that is an error.
func (t *promising) ofGroup(all []*compliance.Allocation, group uuid.UUID, states []compliance.AllocationState) (out []*compliance.Allocation, err error) {
	for _, a := range all {
		if t.in(a, states) {
			out = append(out, a)
		}
	}
	switch {
	case len(out) > 0:
		return out, nil
	case len(all) > 0:
		return nil, errs.New(errs.Precondition, "ALLOCATION_STATE", fmt.Sprintf("none of the %d allocations of group %s is %s", len(all), group, stateWords(states)), "group", group.String())
	}
	e := errs.Missing(t.org.Name() + "/allocations/-")
	e.Message = "there is no group " + group.String()
	return nil, e
}

// wrongState says that an allocation is in none of the states in which it could be used.
func wrongState(org tenant.Org, a *compliance.Allocation, now time.Time, want []compliance.AllocationState) error {
	b := *a
	b.AsOf(now)
	state, since := b.State.Word(), b.Finished
	switch b.State {
	case compliance.Out:
		since = a.HandedOut
	case compliance.Confirmed:
		since = a.Confirmed
	case compliance.Held:
		since = a.Created
	default:
	}
	if b.FinishedReason == compliance.NotCollected {
		state = "expired, as it was not collected,"
	}
	name := resname.AllocationName(org, a.ID)
	return errs.New(errs.Precondition, "ALLOCATION_STATE", fmt.Sprintf("%s (%s) is %s since %s, and must be %s", name, a.Tag, state, since.Format(time.RFC3339), stateWords(want)),
		"allocation", name, "assetTag", a.Tag, "state", b.State.Word())
}

func stateWords(states []compliance.AllocationState) string {
	words := make([]string, len(states))
	for i, s := range states {
		words[i] = s.Word()
	}
	return strings.Join(words, " or ")
}
