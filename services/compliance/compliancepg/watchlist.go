package compliancepg

import (
	"bytes"
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// WatchHead returns how far there is something to tell to those who watch an org, of one state.
func (s *Store) WatchHead(ctx context.Context, org tenant.Org) (h compliance.WatchHead, err error) {
	err = s.Read(ctx, org, func(ctx context.Context, r *Reader) error {
		h, _, err = r.watchHead(ctx)
		return err
	})
	return h, err
}

func (r *Reader) watchHead(ctx context.Context) (h compliance.WatchHead, told time.Time, err error) {
	p, at := &h.Position, (*time.Time)(nil)
	err = r.tx.QueryRow(ctx, `select
		coalesce((select number from watch_heads where org_id = $1), 0), (select told from watch_heads where org_id = $1),
		coalesce((select number from cursors where org_id = $1 and source = 1), 0),
		coalesce((select number from cursors where org_id = $1 and source = 2), 0),
		coalesce((select number from heads where org_id = $1), 0)`, r.org.UUID).Scan(&h.Number, &at, &p.Registry, &p.History, &p.Compliance)
	return h, instantOf(at), pg.Err(err)
}

// WatchNumber returns the number of the last change that is seen in this snapshot.
func (r *Reader) WatchNumber(ctx context.Context) (int64, error) {
	h, _, err := r.watchHead(ctx)
	return h.Number, err
}

// HasShop says whether the projection has a shop.
func (r *Reader) HasShop(ctx context.Context, shop string) (found bool, err error) {
	err = r.tx.QueryRow(ctx, `select exists (select from p_shops where org_id = $1 and shop = $2)`, r.org.UUID, shop).Scan(&found)
	return found, pg.Err(err)
}

// watchScan is how many changes one batch looks at that may all be another shop's.
const watchScan = 5000

// Watch returns what is to be told next after a place: first every unit of the fleet and every live allocation, then whatever has changed
// since that began, each as it stands now. A change of which a later one is known is left out. States are as of the clock, and of no
// instant before those of which something was marked.
func (r *Reader) Watch(ctx context.Context, q compliance.WatchQuery) (b compliance.WatchBatch, err error) {
	head, told, err := r.watchHead(ctx)
	if err != nil {
		return b, err
	}
	// The clock is read after the state: what was marked in it because of the time has passed for this clock too.
	w := &watching{Reader: r, q: q, at: later(q.Now(), told), key: q.After, left: q.Limit}
	w.batch.Head = head
	if !w.key.Begun {
		w.key.Begun, w.key.Number = true, head.Number
	}
	if w.key.Number > head.Number {
		return b, compliance.ErrWatchAhead
	}
	for _, step := range []func(context.Context) error{w.units, w.allocations, w.changes} {
		if err := step(ctx); err != nil {
			return b, err
		}
	}
	w.batch.Next = w.key
	return w.batch, nil
}

// watching is one batch.
type watching struct {
	*Reader
	q     compliance.WatchQuery
	at    time.Time
	key   compliance.WatchKey
	left  int
	batch compliance.WatchBatch
}

// watchedUnits returns what is told of units, in their order.
func (w *watching) watchedUnits(ctx context.Context, ids []uuid.UUID) ([]compliance.WatchedUnit, error) {
	if len(ids) == 0 {
		return nil, nil
	}
	sets, err := w.Sets(ctx, ids, w.at)
	if err != nil {
		return nil, err
	}
	out := make([]compliance.WatchedUnit, len(sets))
	for i, s := range sets {
		out[i] = compliance.Watched(s, w.at)
	}
	return out, nil
}

// units tells the units of the fleet: of an org by their ids, of a shop by their tags.
func (w *watching) units(ctx context.Context) error {
	if w.key.Stage != compliance.WatchUnits || w.left == 0 {
		return nil
	}
	query, args := `select u.unit_id, u.tag from p_units as u join p_shops as s on s.org_id = $1 and s.shop = u.shop
		where u.org_id = $1 and u.unit_id > $2 and (u.retired is null or u.retired > $3) order by u.unit_id limit $4`, []any{w.org.UUID, w.key.ID, w.at, w.left}
	if w.q.Shop != "" {
		query = `select u.unit_id, u.tag from p_ready as u where u.org_id = $1 and (u.tag, u.unit_id) > ($6, $2) and (u.retired is null or u.retired > $3) and u.shop = $5
			order by u.tag, u.unit_id limit $4`
		args = append(args, w.q.Shop, w.key.Tag)
	}
	rows, err := w.tx.Query(ctx, query, args...)
	if err != nil {
		return pg.Err(err)
	}
	var ids []uuid.UUID
	var tags []string
	var id uuid.UUID
	var tag string
	if _, err := pgx.ForEachRow(rows, []any{&id, &tag}, func() error {
		ids, tags = append(ids, id), append(tags, tag)
		return nil
	}); err != nil {
		return pg.Err(err)
	}
	states, err := w.watchedUnits(ctx, ids)
	if err != nil {
		return err
	}
	for i := range states {
		w.key.ID = ids[i]
		if w.q.Shop != "" {
			w.key.Tag = tags[i]
		}
		w.batch.Items = append(w.batch.Items, compliance.WatchItem{Unit: &states[i], Key: w.key})
	}
	if w.left -= len(ids); w.left > 0 {
		w.key = compliance.WatchKey{Stage: compliance.WatchAllocations, Begun: true, Number: w.key.Number}
	}
	return nil
}

// allocations tells the live allocations: of an org by their units, of a shop by the start of their windows.
func (w *watching) allocations(ctx context.Context) error {
	if w.key.Stage != compliance.WatchAllocations || w.left == 0 {
		return nil
	}
	query, args := selectAllocation+`where a.org_id = $1 and a.state <= 3 and (a.unit_id, a.allocation_id) > ($4, $2) order by a.unit_id, a.allocation_id limit $3`,
		[]any{w.org.UUID, w.key.ID, w.left, w.key.Unit}
	if w.q.Shop != "" {
		query = selectAllocation + `where a.org_id = $1 and a.state <= 3 and a.shop = $4 and (lower(a.during), a.allocation_id) > ($5, $2)
			order by lower(a.during), a.allocation_id limit $3`
		args = []any{w.org.UUID, w.key.ID, w.left, w.q.Shop, w.key.Start}
	}
	rows, err := w.tx.Query(ctx, query, args...)
	if err != nil {
		return pg.Err(err)
	}
	all, err := pgx.CollectRows(rows, scanAllocation)
	if err != nil {
		return pg.Err(err)
	}
	for i := range all {
		w.key.ID = all[i].ID
		if w.q.Shop != "" {
			w.key.Start = all[i].Start
		} else {
			w.key.Unit = all[i].Unit
		}
		w.batch.Items = append(w.batch.Items, compliance.WatchItem{Allocation: &all[i], Key: w.key})
	}
	if w.left -= len(all); w.left > 0 {
		w.key = compliance.CaughtUp(w.key.Number)
	}
	return nil
}

// watchMark is a change: the number of the last of a unit or an allocation, and whether it is to be told.
type watchMark struct {
	number int64
	row    compliance.WatchRow
	id     uuid.UUID
	mine   bool
}

func (m watchMark) compare(o watchMark) int {
	return cmp.Or(cmp.Compare(m.number, o.number), cmp.Compare(m.row, o.row), bytes.Compare(m.id[:], o.id[:]))
}

// lastID comes after every id.
var lastID = uuid.Max

// changes tells what has changed, in the order of the numbers.
func (w *watching) changes(ctx context.Context) error {
	if w.key.Stage != compliance.WatchChanges || w.left == 0 {
		return nil
	}
	unitAfter, allocationAfter := lastID, uuid.Nil
	switch w.key.Row {
	case compliance.WatchUnit:
		unitAfter = w.key.ID
	case compliance.WatchAllocation:
		allocationAfter = w.key.ID
	case compliance.WatchEnd:
		allocationAfter = lastID
	}
	units, err := w.marks(ctx, compliance.WatchUnit, `select w.number, w.unit_id,
			s.shop is not null and ($5 = '' or u.shop = $5 or exists (select from jsonb_array_elements(u.placements) as p where p->>'shop' = $5)) as mine
		from (select number, unit_id from watch_units where org_id = $1 and (number, unit_id) > ($2, $3) order by number, unit_id limit $4) as w
		left join p_units as u on u.org_id = $1 and u.unit_id = w.unit_id left join p_shops as s on s.org_id = $1 and s.shop = u.shop order by w.number, w.unit_id`, unitAfter)
	if err != nil {
		return err
	}
	allocations, err := w.marks(ctx, compliance.WatchAllocation, `select number, allocation_id, $5 = '' or shop = $5 as mine
		from allocations where org_id = $1 and (number, allocation_id) > ($2, $3) order by number, allocation_id limit $4`, allocationAfter)
	if err != nil {
		return err
	}
	marks, more := mergeMarks(units, allocations, w.scan())
	var told []watchMark
	for i, m := range marks {
		if m.mine {
			told = append(told, m)
		}
		if len(told) == w.left && i < len(marks)-1 {
			marks, more = marks[:i+1], true
			break
		}
	}
	if err := w.tell(ctx, told); err != nil {
		return err
	}
	if more {
		last := marks[len(marks)-1]
		w.key = compliance.WatchKey{Stage: compliance.WatchChanges, Begun: true, Number: last.number, Row: last.row, ID: last.id}
		return nil
	}
	w.key, w.batch.Done = compliance.CaughtUp(w.batch.Head.Number), true
	return nil
}

// scan returns how many changes of units, and of allocations, are looked at.
func (w *watching) scan() int {
	if w.q.Shop == "" {
		return w.left + 1
	}
	return watchScan
}

// marks returns changes after the key.
func (w *watching) marks(ctx context.Context, row compliance.WatchRow, query string, after uuid.UUID) ([]watchMark, error) {
	rows, err := w.tx.Query(ctx, query, w.org.UUID, w.key.Number, after, w.scan(), w.q.Shop)
	if err != nil {
		return nil, pg.Err(err)
	}
	out, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (watchMark, error) {
		m := watchMark{row: row}
		return m, r.Scan(&m.number, &m.id, &m.mine)
	})
	return out, pg.Err(err)
}

// mergeMarks puts changes of units and allocations in their order. Where one list was cut off at a limit, nothing beyond its end is known, and
// more says so.
func mergeMarks(units, allocations []watchMark, limit int) (out []watchMark, more bool) {
	out = append(slices.Clone(units), allocations...)
	slices.SortFunc(out, watchMark.compare)
	for _, list := range [][]watchMark{units, allocations} {
		if len(list) < limit {
			continue
		}
		more = true
		end := list[len(list)-1]
		n, _ := slices.BinarySearchFunc(out, end, watchMark.compare)
		out = out[:min(len(out), n+1)]
	}
	return out, more
}

// tell adds the states of what has changed.
func (w *watching) tell(ctx context.Context, told []watchMark) error {
	var units, allocations []uuid.UUID
	for _, m := range told {
		if m.row == compliance.WatchUnit {
			units = append(units, m.id)
		} else {
			allocations = append(allocations, m.id)
		}
	}
	states, err := w.watchedUnits(ctx, units)
	if err != nil {
		return err
	}
	found := map[uuid.UUID]*compliance.Allocation{}
	if len(allocations) > 0 {
		rows, err := w.tx.Query(ctx, selectAllocation+`where a.org_id = $1 and a.allocation_id = any ($2)`, w.org.UUID, allocations)
		if err != nil {
			return pg.Err(err)
		}
		all, err := pgx.CollectRows(rows, scanAllocation)
		if err != nil {
			return pg.Err(err)
		}
		for i := range all {
			found[all[i].ID] = &all[i]
		}
	}
	for _, m := range told {
		item := compliance.WatchItem{Key: compliance.WatchKey{Stage: compliance.WatchChanges, Begun: true, Number: m.number, Row: m.row, ID: m.id}}
		if m.row == compliance.WatchUnit {
			item.Unit, states = &states[0], states[1:]
		} else {
			item.Allocation = found[m.id]
		}
		w.batch.Items = append(w.batch.Items, item)
	}
	return nil
}
