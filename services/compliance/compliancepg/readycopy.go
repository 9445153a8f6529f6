package compliancepg

import (
	"context"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/promise"
)

// readyCopy keeps in memory what searches have read, group by group, and is never trusted: every search asks the database first whether anything
// has changed since. All that changes a unit, what is fitted to it, a hold on it or a promise of it gives it, or its allocation, the next number of its
// org, and numbers become visible in their order; so a copy of number n is what a snapshot of number n would read. What has changed is thrown out.
type readyCopy struct {
	mu    sync.Mutex
	orgs  map[uuid.UUID]*orgCopy
	units int // in all groups
	most  int // units; 0 for mostCopied
}

// mostCopied bounds the copy of a process: with about half a kilobyte a unit, and a few times that for one of which reasons were told.
const mostCopied = 200_000

// orgCopy is the copy of an org.
type orgCopy struct {
	number  int64
	started time.Time // of the database server: one that was restored from elsewhere begins its numbers anew
	groups  map[groupKey]*group
	of      map[uuid.UUID]groupKey // by unit
}

// groupKey names the units of a kind at a shop.
type groupKey struct{ kind, shop string }

// group is the units of a kind at a shop, retired ones too, by tag. They are shared by all who read them, and never changed.
type group struct {
	units []*promise.Unit         // as if none were held
	held  map[uuid.UUID]time.Time // until when somebody's hold was or is open, of those that ever had one
	sets  map[uuid.UUID]keptSet   // of those that were asked for, and only those
}

// keptSet is a stored set, and from when on it answers.
type keptSet struct {
	set  compliance.Set
	from time.Time
}

// seen is what a search is told of an org before anything else.
type seen struct {
	position compliance.Position
	number   int64
	started  time.Time
}

const selectSeen = selectPosition + `, coalesce((select number from watch_heads where org_id = $1), 0), pg_postmaster_start_time()`

func queueSeen(batch *pgx.Batch, org tenant.Org, into *seen) {
	batch.Queue(selectSeen, org.UUID).QueryRow(func(row pgx.Row) error {
		return row.Scan(&into.position.Registry, &into.position.History, &into.position.Compliance, &into.number, &into.started)
	})
}

// changedUnit is a unit that has changed, with the group it is in now; without a kind if it is in none.
type changedUnit struct {
	unit uuid.UUID
	groupKey
}

// mostChanged is how many changes are looked at before everything of the org is thrown out.
const mostChanged = 500

// selectChanged is the units that have changed since a number: themselves, by what is promised of them now, and by what is not any more because
// the allocation was given another.
const selectChanged = `with allocation as materialized (
		select a.unit_id, a.substitutions from allocations as a where a.org_id = $1 and a.number > $2 order by a.number limit $3
	), changed as materialized (
		(select w.unit_id from watch_units as w where w.org_id = $1 and w.number > $2 order by w.number limit $3)
	union all
		select unit_id from allocation
	union all
		select (s->>'unit')::uuid from allocation, jsonb_array_elements(substitutions) as s
	)
	select c.unit_id, coalesce(r.kind, ''), coalesce(r.shop, '') from changed as c left join lateral (
		select r.kind, r.shop from p_ready as r where r.org_id = $1 and r.unit_id = c.unit_id offset 0) as r on true limit $3`

// glance returns a group of the copy if it is what the database says now, with the position as of which it is; nil if it must be read.
func (s *Store) glance(ctx context.Context, org tenant.Org, key groupKey) (*group, compliance.Position, error) {
	var now seen
	if err := s.db.ReadOrgBatch(ctx, org, func(batch *pgx.Batch) {
		now = seen{}
		queueSeen(batch, org, &now)
	}); err != nil {
		return nil, compliance.Position{}, err
	}
	g, behind, since := s.ready.get(org, key, &now)
	if !behind {
		return g, now.position, nil
	}
	var changed []changedUnit
	if err := s.db.ReadOrgBatch(ctx, org, func(batch *pgx.Batch) {
		now, changed = seen{}, nil
		queueSeen(batch, org, &now)
		batch.Queue(selectChanged, org.UUID, since, mostChanged).Query(func(rows pgx.Rows) error {
			var c changedUnit
			_, err := pgx.ForEachRow(rows, []any{&c.unit, &c.kind, &c.shop}, func() error {
				changed = append(changed, c)
				return nil
			})
			return err
		})
	}); err != nil {
		return nil, compliance.Position{}, err
	}
	s.ready.forget(org, since, changed, &now)
	g, _, _ = s.ready.get(org, key, &now)
	return g, now.position, nil
}

// get returns a group as of what a search has seen; nil if there is none. behind says that the copy is of an earlier number, since: what has changed
// since then is to be forgotten first.
func (c *readyCopy) get(org tenant.Org, key groupKey, now *seen) (g *group, behind bool, since int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	o := c.orgs[org.UUID]
	switch {
	case o == nil:
		return nil, false, 0
	case !o.started.Equal(now.started):
		c.drop(org)
		return nil, false, 0
	case o.number < now.number:
		return nil, true, o.number
	case o.number > now.number:
		return nil, false, 0 // others have looked since
	}
	return o.groups[key], false, o.number
}

// forget throws out what has changed since a number, up to what a search has seen.
func (c *readyCopy) forget(org tenant.Org, since int64, changed []changedUnit, now *seen) {
	c.mu.Lock()
	defer c.mu.Unlock()
	o := c.orgs[org.UUID]
	if o == nil || o.number < since || o.number >= now.number || !o.started.Equal(now.started) {
		return // it is no copy any more that the changes would bring up to date, or it is up to date
	}
	if len(changed) >= mostChanged {
		for key := range o.groups {
			c.remove(o, key)
		}
	}
	for _, u := range changed {
		c.remove(o, o.of[u.unit])
		c.remove(o, u.groupKey)
	}
	o.number = now.number
}

// put keeps a group as of what was seen with it, if the copy of the org is as of that too, and says whether it did.
func (c *readyCopy) put(org tenant.Org, key groupKey, g *group, now *seen) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	most := c.most
	if most == 0 {
		most = mostCopied
	}
	if len(g.units) > most/4 {
		return false
	}
	o := c.orgs[org.UUID]
	if o != nil && !o.started.Equal(now.started) {
		c.drop(org)
		o = nil
	}
	if o == nil {
		o = &orgCopy{number: now.number, started: now.started, groups: map[groupKey]*group{}, of: map[uuid.UUID]groupKey{}}
		if c.orgs == nil {
			c.orgs = map[uuid.UUID]*orgCopy{}
		}
		c.orgs[org.UUID] = o
	}
	if o.number != now.number {
		return false
	}
	c.remove(o, key)
	for id, other := range c.orgs { // in no order: which is thrown out does not matter
		for k := range other.groups {
			if c.units+len(g.units) <= most {
				break
			}
			c.remove(other, k)
		}
		if other != o && len(other.groups) == 0 {
			delete(c.orgs, id)
		}
	}
	o.groups[key] = g
	c.units += len(g.units)
	for _, u := range g.units {
		o.of[u.ID] = key
	}
	return true
}

// remove throws out a group, if it is there. c.mu is held.
func (c *readyCopy) remove(o *orgCopy, key groupKey) {
	g := o.groups[key]
	if g == nil {
		return
	}
	delete(o.groups, key)
	c.units -= len(g.units)
	for _, u := range g.units {
		delete(o.of, u.ID)
	}
}

// drop throws out an org. c.mu is held.
func (c *readyCopy) drop(org tenant.Org) {
	for _, g := range c.orgs[org.UUID].groups {
		c.units -= len(g.units)
	}
	delete(c.orgs, org.UUID)
}

// set returns a kept set of a group that answers for an instant and those after it.
func (c *readyCopy) set(g *group, unit uuid.UUID, at time.Time) (*compliance.Set, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	k, ok := g.sets[unit]
	if !ok || at.Before(k.from) {
		return nil, false
	}
	set := k.set
	set.Settled = true
	return &set, true
}

func (c *readyCopy) keepSets(g *group, sets []keptSet) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if g.sets == nil {
		g.sets = map[uuid.UUID]keptSet{}
	}
	for _, k := range sets {
		g.sets[k.set.Unit] = k
	}
}

// readGroup reads a group with what else a search is told, in one trip.
func (r *Reader) readGroup(ctx context.Context, key groupKey, now time.Time) (*group, seen, error) {
	var s seen
	batch := &pgx.Batch{}
	queueSeen(batch, r.org, &s)
	units, held := queueLifted(batch, r.org, compliance.PromiseQuery{Kinds: []string{key.kind}, Shop: key.shop, Now: now}, time.Time{})
	if err := r.tx.SendBatch(ctx, batch).Close(); err != nil {
		return nil, s, pg.Err(err)
	}
	g := &group{units: units(), held: held}
	for _, u := range g.units {
		u.Kind, u.Shop, u.Held = key.kind, key.shop, false // what is equal is kept once
	}
	return g, s, nil
}
