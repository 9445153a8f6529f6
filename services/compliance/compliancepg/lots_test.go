package compliancepg_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// TestUnitsOfLots compares the units that recalls of lots would hold, and then do hold, with counting the parts of every unit's orders one by one.
func TestUnitsOfLots(t *testing.T) {
	long(t)
	t.Parallel()
	f := randomFleet(seed(t), 60, 700)
	w := newWorld(t)
	w.publish(house()...)
	w.apply(f.shuffled())
	has := map[uuid.UUID]map[string]bool{}
	for _, c := range f.history {
		if e := c.Entry; e.Kind == due.OrderEntry && e.Order.What == due.Fitted {
			if has[e.Unit] == nil {
				has[e.Unit] = map[string]bool{}
			}
			has[e.Unit][e.Order.Lot] = has[e.Unit][e.Order.Lot] || remains(f, e)
		}
	}
	found := 0
	for i, c := range []due.Recall{
		{Lots: []string{"seats-1"}}, {Lots: []string{"seats-2", "seals-7"}}, {Lots: []string{"no-such-lot"}}, {Lots: lots, Scope: due.Scope{Kinds: []string{"cylinder"}}},
		{Lots: []string{"seals-7"}, Scope: due.Scope{Jurisdictions: []string{"US"}}},
	} {
		c.ID, c.Title, c.Blocks, c.Opened = fmt.Sprint("lots-", i), "Lots", due.HandOut, today
		var want, got []string
		w.read(func(ctx context.Context, r *compliancepg.Reader) error {
			all, err := r.Covered(ctx, &due.Recall{Scope: c.Scope}, today)
			if err != nil {
				return err
			}
			for _, u := range all {
				if slices.ContainsFunc(c.Lots, func(l string) bool { return has[u.Unit][l] }) {
					want = append(want, u.Tag)
				}
			}
			covered, err := r.Covered(ctx, &c, today)
			for _, u := range covered {
				got = append(got, u.Tag)
			}
			return err
		})
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%+v: counted (-), found (+)\n%s", c, diff)
		}
		w.openRecall(c, true)
		var held []string
		for tag, s := range w.states(c.ID, today) {
			if s == compliance.RecallHeld {
				held = append(held, tag)
			}
		}
		slices.Sort(held)
		slices.Sort(want)
		if diff := cmp.Diff(want, held); diff != "" {
			t.Errorf("%+v: counted (-), held (+)\n%s", c, diff)
		}
		found += len(held)
	}
	if found < 10 {
		t.Errorf("only %d units: the fleet tests nothing", found)
	}
}

// remains says whether of the order and part of an event, and its lot, more went in than came out, told anew from the whole ledger.
func remains(f *feeds, of *due.Entry) bool {
	type mark struct {
		at time.Time
		id uuid.UUID
	}
	before := func(a, b mark) bool { return a.at.Before(b.at) || a.at.Equal(b.at) && a.id.String() < b.id.String() }
	end := mark{at: today.AddDate(100, 0, 0)}
	var events []*due.Entry
	for _, c := range f.history {
		if e := c.Entry; e.Kind == due.OrderEntry && e.Unit == of.Unit && e.Order.Order == of.Order.Order {
			events = append(events, e)
			if m := (mark{e.Occurred, e.ID}); slices.Contains([]due.OrderStep{due.SignedPass, due.SignedOther, due.OrderClosed}, e.Order.What) && before(m, end) {
				end = m
			}
		}
	}
	n := int32(0)
	for _, e := range events {
		o := e.Order
		withdrawn := slices.ContainsFunc(events, func(w *due.Entry) bool {
			return w.Order.What == due.Withdrew && w.Order.Withdraws == e.ID && before(mark{w.Occurred, w.ID}, end)
		})
		switch {
		case withdrawn || o.Lot != of.Order.Lot || o.Part != of.Order.Part:
		case o.What == due.Fitted:
			n += o.Count
		case o.What == due.TakenOut && before(mark{e.Occurred, e.ID}, end):
			n -= o.Count
		}
	}
	return n > 0
}

// TestLotsAreFoundByIndex: whatever the planner thinks of their number, the units of a lot are looked up by index, and no table is read through.
func TestLotsAreFoundByIndex(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	conn, err := pgx.Connect(t.Context(), w.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(t.Context())) })
	where, args := compliancepg.KindsAndLots(nil, []string{"seats-1"})
	for _, sql := range []string{
		`set search_path = compliance`,
		// A fleet of 20,000 units, of which a hundred have parts of the lot.
		`insert into p_units (org_id, unit_id, tag, serial, model, own_size, attributes, manufactured_month, commissioned_month, placements, kind, size, shop)
			select '` + org.UUID.String() + `', gen_random_uuid(), 'T-' || n, '', 'm', '', '{}', false, false, '[]', 'bcd', 'M', 's' from generate_series(1, 20000) as n`,
		`insert into p_lot_uses select org_id, unit_id, case when tag like '%00' then 'seats-1' else 'seats-' || tag end, gen_random_uuid(), 'seat', 1 from p_units where tag like '%0'`,
		`analyze`,
	} {
		if _, err := conn.Exec(t.Context(), sql); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := conn.Query(t.Context(), `explain select unit_id from p_units where org_id = $1 and `+where, append([]any{org.UUID}, args...)...)
	if err != nil {
		t.Fatal(err)
	}
	plan, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Join(plan, "\n")
	if strings.Contains(text, "Seq Scan") || !strings.Contains(text, "p_lot_uses_lot") || !strings.Contains(text, "p_units_pkey") {
		t.Errorf("the plan reads more than it answers:\n%s", text)
	}
}
