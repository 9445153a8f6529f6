package scenario

import (
	"fmt"
	"time"

	"strandline.example/strandline/internal/civil"
)

func monthOf(m int) time.Month { return time.Month(m) }

// event is a row of a history file.
type event struct {
	file  string // usage, meters, services, tests, conditions, amendments
	shop  *shop
	when  moment
	tag   string
	cells map[string]string
	late  bool // came in after everything else
}

type history struct {
	events []event
	d      *dice
	rental int
}

func (h *history) add(file string, s *shop, tag string, when moment, pairs ...string) {
	e := event{file: file, shop: s, tag: tag, when: when, cells: map[string]string{}}
	for i := 0; i+1 < len(pairs); i += 2 {
		e.cells[pairs[i]] = pairs[i+1]
	}
	h.events = append(h.events, e)
}

// rent adds a rental's usage, on the day it came back.
func (h *history) rent(u *unit, day civil.Date, dives int) {
	h.rental++
	h.add("usage", u.shop, u.tag, at(day, h.d.in(15, 18), 5*h.d.n(12)), "dives", fmt.Sprint(dives), "reference", fmt.Sprintf("%s%05d", map[string]string{"US": "R-", "GB": "KQ", "AU": "BP-"}[u.shop.code], h.rental))
}

func (h *history) service(u *unit, day civil.Date, activities, outcome, tech string, more ...string) {
	h.add("services", u.shop, u.tag, at(day, h.d.in(9, 12), 5*h.d.n(12)), append([]string{"activities", activities, "outcome", outcome, "technician", tech}, more...)...)
}

func (h *history) test(u *unit, day civil.Date, activity, outcome string, more ...string) {
	h.add("tests", u.shop, u.tag, at(day, h.d.in(9, 14), 5*h.d.n(12)), append([]string{"activity", activity, "outcome", outcome}, more...)...)
}

// quiet is what keeps a set's, jacket's or cylinder's story from being told by the dice.
type quiet struct {
	lastService civil.Date // the last one happens on this day, none after it
	stopAt      int        // no more dives once this many are on it since the last service
	calm        bool       // rented half as often
}

var quietUnits = map[string]quiet{
	"US-REG-002": {lastService: civil.New(2025, 11, 8), calm: true},  // past its twelve months
	"US-REG-010": {lastService: civil.New(2026, 4, 14), stopAt: 100}, // the hundredth dive is done
	"AU-REG-005": {lastService: civil.New(2026, 3, 19), stopAt: 97},  // a late log takes it past a hundred
	"GB-REG-009": {lastService: civil.New(2025, 10, 30), calm: true}, // past its twelve months
	"US-BCD-011": {lastService: civil.New(2025, 11, 3)},              // past its twelve months
	"GB-BCD-007": {lastService: civil.New(2025, 10, 29)},             // likewise
	"AU-BCD-002": {lastService: civil.New(2025, 11, 15)},             // likewise
	"US-CYL-009": {lastService: civil.New(2025, 11, 12)},             // visual inspection is late
	"AU-REG-008": {lastService: civil.New(2025, 11, 24), calm: true}, // four days left
	"GB-BCD-012": {lastService: civil.New(2025, 11, 21)},             // its last day is Saturday the 21st
	"US-BCD-005": {lastService: civil.New(2025, 12, 2)},              // twelve days left
	"AU-CYL-003": {lastService: civil.New(2025, 10, 14)},             // its test month has passed
}

// live runs the 24 months.
func live(f *fleet) *history {
	h := &history{d: &dice{s: 24}, rental: 20000}
	for _, x := range f.sets {
		h.set(x)
	}
	for _, u := range f.spares {
		h.spare(u)
	}
	for _, u := range f.bcds {
		h.jacket(u)
	}
	for _, u := range f.watches {
		h.watch(u)
	}
	for _, t := range f.tanks {
		h.tank(t)
	}
	h.compressor(f.comp)
	h.stories(f)
	return h
}

// yearly plans services every twelve months, each some days before it falls due, from a first one in the winter of 2024.
func (h *history) yearly(u *unit) []civil.Date {
	day := first.AddDays(h.d.in(2, 350))
	q, told := quietUnits[u.tag]
	var out []civil.Date
	if told && q.lastService != 0 {
		if before := q.lastService.AddMonths(-12).AddDays(h.d.in(3, 25)); before > first {
			out = append(out, before)
		}
		return append(out, q.lastService)
	}
	// The one before the history began lies in it if that fits; a unit is never left without any.
	for day.AddMonths(-11) > first {
		day = day.AddMonths(-12).AddDays(h.d.in(5, 20))
	}
	day = max(day, first.AddDays(h.d.in(1, 20)), u.since.AddDays(20))
	for day < last {
		out = append(out, day)
		day = day.AddMonths(12).AddDays(-h.d.in(2, 24))
	}
	return out
}

// busy says whether a unit is rented on a day: so many times a year in a shop that is always at its best.
func (h *history) busy(s *shop, day civil.Date, aYear int) bool {
	_, m, _ := day.Parts()
	p := aYear * 1000 / 365 * s.season[m-1] / 1000
	switch wd := (int(day) + 4) % 7; wd { // Sunday is 0
	case 0, 6:
		p = p * 2
	case 5, 1:
		p = p * 5 / 4
	default:
		p = p / 2
	}
	return h.d.chance(p)
}

// set runs a regulator set: rented, and overhauled after a hundred dives or twelve months.
func (h *history) set(x *set) {
	u := x.unit
	q, told := quietUnits[u.tag]
	plan := h.yearly(u)
	next, dives, limit := 0, 0, h.d.in(93, 99)
	begin := max(first, u.since)
	away := civil.Date(0) // rented until
	for day := begin; day <= last; day++ {
		due := next < len(plan) && plan[next] <= day
		early := !told && dives >= limit
		if due || early {
			tech := pick(h.d, u.shop.techs...)
			if u.shop.code == "US" {
				tech = "ines"
			}
			h.overhaul(x, day, tech)
			dives, limit, away = 0, h.d.in(93, 99), day+1
			if early {
				// The next falls due twelve months from this one.
				plan, next = []civil.Date{day.AddMonths(12).AddDays(-h.d.in(3, 24))}, 0
			} else {
				next++
				if !told {
					plan, next = []civil.Date{day.AddMonths(12).AddDays(-h.d.in(3, 24))}, 0
				}
			}
			continue
		}
		if day <= away || (told && q.lastService != 0 && day > q.lastService.AddMonths(12)) {
			continue
		}
		aYear := 48
		if q.calm {
			aYear = 20
		}
		if q.stopAt > 0 && day > q.lastService {
			aYear = 130
		}
		if !h.busy(u.shop, day, aYear) {
			continue
		}
		days := h.d.in(1, 3)
		n := days + h.d.n(days+1)
		most := 99
		if q.stopAt > 0 {
			most = q.stopAt
		}
		if n = min(n, most-dives); n <= 0 || day+civil.Date(days) > last-1 {
			continue
		}
		away = day + civil.Date(days) - 1
		h.rent(u, away, n)
		dives += n
		away++
	}
}

// overhaul records the work on a set and its parts, one row each.
func (h *history) overhaul(x *set, day civil.Date, tech string) {
	second, alternate := x.second.tag, x.alternate.tag
	if x.unit.tag == "GB-REG-003" && day >= civil.New(2026, 10, 19) {
		alternate = "GB-ALT-012"
	}
	row := func(tag, activities string) {
		h.add("services", x.unit.shop, tag, at(day, 9, 0), "activities", activities, "outcome", "pass", "technician", tech)
	}
	row(x.first.tag, "overhaul")
	row(second, "overhaul")
	row(alternate, "overhaul")
	row(x.gauge.tag, "calibration")
	row(x.unit.tag, "inspection")
}

func (h *history) spare(u *unit) {
	for _, day := range []civil.Date{civil.New(2024, 12, 9), civil.New(2025, 11, 28)} {
		h.service(u, day.AddDays(h.d.n(8)), "overhaul", "pass", u.shop.techs[0])
	}
}

func (h *history) jacket(u *unit) {
	q := quietUnits[u.tag]
	for _, day := range h.yearly(u) {
		h.service(u, day, "inspection", "pass", u.shop.techs[len(u.shop.techs)-1])
	}
	away := civil.Date(0)
	for day := max(first, u.since); day < last-2; day++ {
		if day <= away || q.lastService != 0 && day > q.lastService.AddMonths(12) || !h.busy(u.shop, day, 30) {
			continue
		}
		days := h.d.in(1, 3)
		away = day + civil.Date(days)
		h.rent(u, away-1, days+h.d.n(days+1))
	}
}

func (h *history) watch(u *unit) {
	day := max(first, u.since).AddDays(h.d.in(3, 300))
	h.service(u, day, "battery-change", "pass", u.shop.techs[0])
	away := civil.Date(0)
	for day := max(first, u.since); day < last-2; day++ {
		if day <= away || !h.busy(u.shop, day, 26) {
			continue
		}
		days := h.d.in(1, 2)
		away = day + civil.Date(days)
		h.rent(u, away-1, days+h.d.n(days+1))
	}
}

// tank runs a cylinder and its valve: filled, looked into, tested by its jurisdiction's interval.
func (h *history) tank(t *tank) {
	u, s := t.cylinder, t.cylinder.shop
	q := quietUnits[u.tag]
	end := last // no fills after it
	stop := func(d civil.Date) { end = min(end, d) }
	if u.made.IsZero() {
		return // nothing is known of it but that it is here
	}
	begin := max(first, u.since)
	made := u.made.First()
	tested := made // month of the last test
	test := func(day civil.Date) {
		h.test(u, day, "hydrostatic-test", "pass", "marked", day.String()[:7], "provider", s.station)
		tested = day.StartOfMonth()
	}
	look := func(day civil.Date) {
		h.service(u, day, "visual-inspection", "pass", s.techs[0], "marked", day.String()[:7])
	}
	switch s.code {
	case "US":
		if u.model == "alu-80-old" {
			// Bought used, tested before it entered the fleet's use.
			test(u.since.AddDays(2))
			h.test(u, u.since.AddDays(2), "eddy-current-examination", "pass", "marked", u.since.String()[:7], "provider", s.station)
			h.add("services", s, u.tag, at(u.since.AddDays(2), 14, 0), "activities", "visual-inspection", "outcome", "pass",
				"technician", s.techs[0], "marked", u.since.String()[:7], "note", "with the eddy-current examination")
		}
		for due := tested.AddMonths(60); due.EndOfMonth() < last; due = tested.AddMonths(60) {
			if u.tag == "US-CYL-004" {
				stop(due.EndOfMonth())
				break
			}
			test(max(begin.AddDays(2), due.AddDays(-h.d.in(5, 60))))
		}
	case "GB":
		for due := tested.AddMonths(60); due.EndOfMonth() < last; due = tested.AddMonths(60) {
			test(max(begin.AddDays(3), due.AddDays(-h.d.in(3, 40))))
		}
		looked := max(made, tested)
		if tested == made {
			for looked.AddMonths(30).EndOfMonth() < last {
				due := looked.AddMonths(30)
				if u.tag == "GB-CYL-008" {
					stop(due.EndOfMonth())
					break
				}
				day := max(begin.AddDays(4), due.AddDays(-h.d.in(2, 30)))
				look(day)
				looked = day.StartOfMonth()
			}
		}
	case "AU":
		for _, day := range h.yearly(u) {
			test(day)
		}
		if u.tag == "AU-CYL-003" {
			stop(civil.New(2026, 10, 31))
		}
	}
	if s.code != "GB" {
		for _, day := range h.yearly(u) {
			look(day.AddDays(1))
		}
		if q.lastService != 0 {
			stop(q.lastService.AddMonths(12).EndOfMonth())
		}
	}
	if s.code == "US" {
		for _, day := range h.yearly(t.valve) {
			h.service(t.valve, day, "valve-service", "pass", s.techs[0])
		}
	} else {
		h.service(t.valve, first.AddDays(h.d.in(4, 420)), "valve-service", "pass", s.techs[0])
	}
	if u.tag == "US-CYL-013" {
		stop(civil.New(2026, 5, 17))
	}
	for day := begin; day <= end.AddDays(-1); day++ {
		if h.busy(s, day, 46) {
			h.rental++
			h.add("usage", s, u.tag, at(day, h.d.in(7, 9), 5*h.d.n(12)), "fills", "1")
		}
	}
}

// compressor runs by its hour meter, read at the end of each month; the meter was replaced once.
func (h *history) compressor(u *unit) {
	s := u.shop
	tenths, offset := 0, 0
	for m := civil.New(2024, 12, 1); m < last; m = m.AddMonths(1) {
		day := min(m.EndOfMonth(), last.AddDays(-1))
		_, month, _ := day.Parts()
		tenths += 365*s.season[month-1]/1000 + h.d.n(60)
		cells := []string{"measure", "hours", "reading", tenth(tenths - offset)}
		if day == civil.New(2025, 9, 30) {
			cells = append(cells, "new_start", "0", "note", "hour meter replaced, the old one had a cracked glass")
			offset = tenths
		}
		h.add("meters", s, u.tag, at(day, 18, 0), cells...)
	}
	for _, day := range []civil.Date{civil.New(2025, 6, 12), civil.New(2025, 12, 4), civil.New(2026, 5, 21)} {
		h.service(u, day, "compressor-service", "pass", "ines")
	}
	for _, day := range []civil.Date{civil.New(2024, 12, 12), civil.New(2025, 6, 10), civil.New(2025, 12, 3), civil.New(2026, 5, 28)} {
		h.test(u, day, "air-analysis", "pass", "provider", "Sandpiper Air Laboratory")
	}
}

func tenth(n int) string { return fmt.Sprintf("%d.%d", n/10, n%10) }
