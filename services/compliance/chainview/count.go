package chainview

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/services/compliance/promise"
)

// View is what is asked for: so many days from an instant on, and how many units of each kind a shop wants to spare.
type View struct {
	At    time.Time
	Days  int
	Spare int
	Zones map[string]*time.Location // of the shops

	calendars map[string]*Calendar
}

// Calendar returns the days at a shop, which must be one of the view's.
func (v *View) Calendar(shop string) *Calendar {
	if v.calendars == nil {
		v.calendars = map[string]*Calendar{}
	}
	c := v.calendars[shop]
	if c == nil {
		// Shops of one zone have one calendar.
		zone := v.Zones[shop]
		key := "zone " + zone.String()
		if c = v.calendars[key]; c == nil {
			c = CalendarOf(v.At, v.Days, zone)
			v.calendars[key] = c
		}
		v.calendars[shop] = c
	}
	return c
}

// Row is a kind at a shop: one number a day in each list.
type Row struct {
	Shop, Kind                                  string
	Calendar                                    *Calendar
	Owned                                       int64 // in the fleet at any time of the view
	Ready, Promised, Out, Pulled, Overdue, Soon []int64
	Free                                        []int64 // ready, and neither promised nor out
	Conflicts                                   []int64 // promised, not out, and in conflict
}

// Short returns how many are missing day by day: those that were promised and cannot be had, and what is below so many to spare.
func (r *Row) Short(spare int) []int64 {
	out := make([]int64, len(r.Free))
	for i := range out {
		out[i] = r.Conflicts[i] + max(0, int64(spare)-r.Free[i])
	}
	return out
}

type rowKey struct{ shop, kind string }

// Counted is a fleet that was counted.
type Counted struct {
	View     *View
	Rows     []*Row // by shop and kind
	Promises []Promise

	rows  map[rowKey]*Row
	spare map[string]map[string][]*promise.Unit // units that are ready on any day, by kind and shop
}

// Count counts units and promises. Units whose shop the view does not know are left out.
func (v *View) Count(units []*Unit, promises []Promise) *Counted {
	n := &Counted{View: v, Promises: promises, rows: map[rowKey]*Row{}, spare: map[string]map[string][]*promise.Unit{}}
	for _, u := range units {
		if v.Zones[u.Shop] == nil {
			continue
		}
		c := v.Calendar(u.Shop)
		s := u.StatesOn(c)
		if s.Fleet.Count() == 0 {
			continue
		}
		row := n.row(u.Shop, u.Kind)
		row.Owned++
		add(row.Ready, s.Ready)
		add(row.Pulled, s.Pulled)
		add(row.Overdue, s.Overdue)
		add(row.Soon, s.Soon)
		free := s.Ready
		for i := range u.Claims {
			free = free.Less(busy(u.Claims[i].Window, u.Claims[i].Out, c))
		}
		add(row.Free, free)
		if s.Ready.Count() == 0 {
			continue
		}
		if n.spare[u.Kind] == nil {
			n.spare[u.Kind] = map[string][]*promise.Unit{}
		}
		n.spare[u.Kind][u.Shop] = append(n.spare[u.Kind][u.Shop], u.Unit)
	}
	n.countPromises()
	for _, r := range n.rows {
		for _, list := range [][]int64{r.Ready, r.Promised, r.Out, r.Pulled, r.Overdue, r.Soon, r.Free, r.Conflicts} {
			sum(list)
		}
		n.Rows = append(n.Rows, r)
	}
	slices.SortFunc(n.Rows, func(a, b *Row) int {
		if c := strings.Compare(a.Shop, b.Shop); c != 0 {
			return c
		}
		return strings.Compare(a.Kind, b.Kind)
	})
	for _, r := range n.Rows {
		for _, list := range []*[]int64{&r.Ready, &r.Promised, &r.Out, &r.Pulled, &r.Overdue, &r.Soon, &r.Free, &r.Conflicts} {
			*list = (*list)[:v.Days]
		}
	}
	return n
}

// countPromises counts the units that are promised and those that are out: each once a day, however many windows of that day it is promised for.
func (n *Counted) countPromises() {
	type where struct {
		rowKey
		unit uuid.UUID
	}
	type when struct{ promised, out Days }
	all := make(map[where]*when, len(n.Promises))
	for i := range n.Promises {
		p := &n.Promises[i]
		if n.View.Zones[p.Shop] == nil {
			continue
		}
		days := p.days(n.View.Calendar(p.Shop))
		if days.Count() == 0 {
			continue
		}
		k := where{rowKey{p.Shop, p.Kind}, p.Unit}
		if all[k] == nil {
			all[k] = &when{}
		}
		if p.Out {
			all[k].out = all[k].out.Or(days)
			continue
		}
		all[k].promised = all[k].promised.Or(days)
		if p.Conflict {
			add(n.row(p.Shop, p.Kind).Conflicts, days)
		}
	}
	for k, w := range all {
		row := n.row(k.shop, k.kind)
		add(row.Promised, w.promised)
		add(row.Out, w.out)
	}
}

func (n *Counted) row(shop, kind string) *Row {
	k := rowKey{shop, kind}
	r := n.rows[k]
	if r == nil {
		lists := make([]int64, 8*(n.View.Days+1))
		next := func() (l []int64) {
			l, lists = lists[:n.View.Days+1:n.View.Days+1], lists[n.View.Days+1:]
			return l
		}
		r = &Row{
			Shop: shop, Kind: kind, Calendar: n.View.Calendar(shop),
			Ready: next(), Promised: next(), Out: next(), Pulled: next(), Overdue: next(), Soon: next(), Free: next(), Conflicts: next(),
		}
		n.rows[k] = r
	}
	return r
}

// add notes where runs of days begin and end; sum makes numbers of it.
func add(list []int64, days Days) {
	days.eachRun(func(first, end int) {
		list[first]++
		list[min(end, len(list)-1)]--
	})
}

func sum(list []int64) {
	for i := 1; i < len(list); i++ {
		list[i] += list[i-1]
	}
}
