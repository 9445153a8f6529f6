package scenario

import (
	"bytes"
	"fmt"
	"strings"

	"strandline.example/strandline/internal/civil"
)

// habit is how a shop keeps its spreadsheets.
type habit struct {
	sep          string
	mark         bool // begins with the byte order mark
	crlf         bool
	decimalComma bool
	date         func(civil.Date) string
	month        func(civil.Date) string
	headings     map[string]string
	usage        string // what it calls its usage file
}

var habits = map[string]habit{
	"sandbar": {
		sep: ",", date: civil.Date.String, month: func(d civil.Date) string { return d.String()[:7] }, usage: "rentals",
		headings: map[string]string{"tag": "Asset Tag", "date": "Date", "time": "Time", "dives": "Dives", "fills": "Fills", "reference": "Rental No", "note": "Remarks", "activities": "Work Done", "outcome": "Result", "technician": "Tech"},
	},
	"kelpquay": {
		sep: ";", decimalComma: true, usage: "usage",
		date: func(d civil.Date) string {
			y, m, day := d.Parts()
			return fmt.Sprintf("%02d.%02d.%04d", day, int(m), y)
		},
		month:    func(d civil.Date) string { y, m, _ := d.Parts(); return fmt.Sprintf("%02d.%04d", int(m), y) },
		headings: map[string]string{"tag": "unit", "note": "comment", "marked": "stamp"},
	},
	"bommie": {
		sep: ",", mark: true, crlf: true, usage: "hires",
		date: func(d civil.Date) string {
			y, m, day := d.Parts()
			return fmt.Sprintf("%d %s %04d", day, m.String()[:3], y)
		},
		month:    func(d civil.Date) string { y, m, _ := d.Parts(); return fmt.Sprintf("%s %04d", m.String()[:3], y) },
		headings: map[string]string{"tag": "EQUIPMENT NO.", "date": "DAY", "time": "TIME", "dives": "DIVES", "fills": "FILLS", "reference": "TICKET", "note": "NOTES", "activities": "ACTIVITY", "activity": "TEST", "outcome": "RESULT", "technician": "DONE BY", "provider": "TEST STATION", "marked": "STAMPED"},
	},
}

var chain = habit{sep: ",", date: civil.Date.String, month: func(d civil.Date) string { return d.String()[:7] }}

// table writes one file.
type table struct {
	h     habit
	heads []string
	b     bytes.Buffer
	rows  int
}

func newTable(h habit, heads ...string) *table {
	t := &table{h: h, heads: heads}
	if h.mark {
		t.b.WriteString("\uFEFF")
	}
	names := make([]string, len(heads))
	for i, n := range heads {
		names[i] = n
		if alias := h.headings[n]; alias != "" {
			names[i] = alias
		}
	}
	t.line(names)
	return t
}

func (t *table) line(cells []string) {
	for i, c := range cells {
		if i > 0 {
			t.b.WriteString(t.h.sep)
		}
		if strings.ContainsAny(c, t.h.sep+"\"\n") {
			c = `"` + strings.ReplaceAll(c, `"`, `""`) + `"`
		}
		t.b.WriteString(c)
	}
	if t.h.crlf {
		t.b.WriteByte('\r')
	}
	t.b.WriteByte('\n')
}

func (t *table) row(cells ...string) {
	t.rows++
	t.line(cells)
}

func clockText(m moment) string { return fmt.Sprintf("%02d:%02d", m.minute/60, m.minute%60) }

// markText writes a month or day mark in the shop's way.
func (h habit) markText(m civil.Mark) string {
	if m.IsZero() {
		return ""
	}
	if m.IsMonth() {
		return h.month(m.First())
	}
	return h.date(m.First())
}

// sheets writes all files.
func sheets(f *fleet, h *history) map[string][]byte {
	out := map[string][]byte{}
	keep := func(name string, t *table) {
		if t.rows > 0 {
			out[name] = t.b.Bytes()
		}
	}
	t := newTable(chain, "id", "name", "time_zone", "jurisdiction")
	for _, s := range shops {
		t.row(s.id, s.name, s.zone, s.jurisdiction)
	}
	keep("shops.csv", t)

	t = newTable(chain, "id", "name", "kind", "maker", "size", "specification", "alloy", "gas", "working_pressure")
	for _, m := range models {
		t.row(m.id, m.name, m.kind, m.maker, m.size, m.spec, m.alloy, m.gas, m.pressure)
	}
	keep("models.csv", t)

	t = newTable(chain, "id", "name", "activity", "kind", "issuer", "valid_from", "valid_until")
	for _, p := range people {
		t.row(p.id, p.name, p.activity, p.kind, p.issuer, p.from, p.until)
	}
	keep("technicians.csv", t)

	for _, s := range shops {
		hb := habits[s.id]
		t = newTable(hb, "tag", "serial", "model", "shop", "size", "manufactured", "commissioned")
		for _, u := range f.units {
			if u.shop == s {
				t.row(u.tag, u.serial, u.model, s.id, u.size, hb.markText(u.made), hb.date(u.since))
			}
		}
		keep("units-"+s.id+".csv", t)

		t = newTable(hb, "part", "host", "place", "from", "from_time", "to", "to_time")
		for _, x := range f.fittings {
			if f.byTag[x.part].shop != s {
				continue
			}
			to, toTime := "", ""
			if !x.to.zero() {
				to, toTime = hb.date(x.to.day), clockText(x.to)
			}
			t.row(x.part, x.host, x.place, hb.date(x.from.day), clockText(x.from), to, toTime)
		}
		keep("fittings-"+s.id+".csv", t)

		for _, file := range []struct {
			name, kind string
			late       bool
			heads      []string
		}{
			{hb.usage, "usage", false, []string{"tag", "date", "time", "dives", "fills", "reference", "note"}},
			{hb.usage, "usage", true, []string{"tag", "date", "time", "dives", "fills", "reference", "note"}},
			{"meters", "meters", false, []string{"tag", "date", "time", "measure", "reading", "new_start", "note"}},
			{"services", "services", false, []string{"tag", "date", "time", "activities", "outcome", "marked", "technician", "note"}},
			{"tests", "tests", false, []string{"tag", "date", "time", "activity", "outcome", "marked", "provider", "technician", "note"}},
			{"conditions", "conditions", false, []string{"tag", "date", "time", "condition", "severity", "note"}},
			{"amendments", "amendments", false, []string{"tag", "date", "time", "corrects", "reason", "dives"}},
		} {
			var events []event
			for _, e := range h.events {
				if e.file == file.kind && e.shop == s && e.late == file.late {
					events = append(events, e)
				}
			}
			order(events)
			t = newTable(hb, file.heads...)
			for _, e := range events {
				t.row(hb.cells(e, file.heads)...)
			}
			name := file.name + "-" + s.id
			if file.late {
				name += "-late"
			}
			keep(name+".csv", t)
		}
	}
	return out
}

// cells writes an event in the shop's way.
func (h habit) cells(e event, heads []string) []string {
	out := make([]string, len(heads))
	for i, n := range heads {
		switch n {
		case "tag":
			out[i] = e.tag
		case "date":
			out[i] = h.date(e.when.day)
		case "time":
			out[i] = clockText(e.when)
		case "marked":
			if m := e.cells[n]; m != "" {
				var y, mo int
				if _, err := fmt.Sscanf(m, "%d-%d", &y, &mo); err == nil {
					out[i] = h.month(civil.New(y, monthOf(mo), 1))
				}
			}
		case "reading":
			out[i] = e.cells[n]
			if h.decimalComma {
				out[i] = strings.Replace(out[i], ".", ",", 1)
			}
		default:
			out[i] = e.cells[n]
		}
	}
	return out
}
