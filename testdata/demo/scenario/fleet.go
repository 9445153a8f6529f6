package scenario

import (
	"fmt"

	"strandline.example/strandline/internal/civil"
)

// shop is one of the three, with how much it has and how busy it is.
type shop struct {
	id, name, zone, jurisdiction, code string

	sets, bcds, cylinders, computers int
	spares                           []string // kinds of loose parts
	season                           [12]int  // rentals in thousandths of the best month, January first
	techs                            []string
	cylinderModel, station           string
}

var shops = []*shop{
	{
		id: "sandbar", name: "Sandbar Landing", zone: "America/New_York", jurisdiction: "US-FL", code: "US",
		sets: 13, bcds: 18, cylinders: 20, computers: 9, spares: []string{"second-stage", "first-stage"},
		season: [12]int{600, 650, 900, 950, 900, 1000, 1000, 900, 550, 600, 550, 700},
		techs:  []string{"ines", "rufus"}, cylinderModel: "alu-80", station: "Gannet Cylinder Works",
	},
	{
		id: "kelpquay", name: "Kelp Quay", zone: "Europe/London", jurisdiction: "GB", code: "GB",
		sets: 11, bcds: 15, cylinders: 18, computers: 8, spares: []string{"alternate-second-stage", "second-stage"},
		season: [12]int{150, 150, 300, 550, 800, 950, 1000, 1000, 900, 600, 300, 150},
		techs:  []string{"maya"}, cylinderModel: "steel-12", station: "Harrow Head Test House",
	},
	{
		id: "bommie", name: "Bommie Point", zone: "Australia/Brisbane", jurisdiction: "AU-QLD", code: "AU",
		sets: 11, bcds: 14, cylinders: 16, computers: 8, spares: []string{"first-stage"},
		season: [12]int{1000, 900, 800, 800, 700, 700, 750, 800, 900, 950, 950, 1000},
		techs:  []string{"tove"}, cylinderModel: "alu-11", station: "Currawong Pressure Testing",
	},
}

// model is a row of models.csv.
type model struct{ id, name, kind, maker, size, spec, alloy, gas, pressure string }

var models = []model{
	{id: "set-warm", name: "Regulator set, warm water", kind: "regulator-set"},
	{id: "set-cold", name: "Regulator set, cold water", kind: "regulator-set"},
	{id: "b1", name: "B1 piston first stage", kind: "first-stage", maker: "Brinewell"},
	{id: "b2", name: "B2 sealed first stage", kind: "first-stage", maker: "Brinewell"},
	{id: "b-second", name: "B second stage", kind: "second-stage", maker: "Brinewell"},
	{id: "b-alternate", name: "B alternate, yellow", kind: "alternate-second-stage", maker: "Brinewell"},
	{id: "m-gauge", name: "Gauge 0-350 bar", kind: "pressure-gauge", maker: "Morrowfin"},
	{id: "m-jacket", name: "Jacket", kind: "bcd", maker: "Morrowfin"},
	{id: "alu-80", name: "Aluminium 80 cu ft", kind: "cylinder", maker: "Saltmark", size: "80 cu ft", spec: "3AL", alloy: "6061-T6", gas: "air", pressure: "3000 psi"},
	{id: "alu-80-old", name: "Aluminium 80 cu ft, old alloy", kind: "cylinder", maker: "Saltmark", size: "80 cu ft", spec: "3AL", alloy: "6351-T6", gas: "air", pressure: "3000 psi"},
	{id: "steel-12", name: "Steel 12 L", kind: "cylinder", maker: "Saltmark", size: "12 L", spec: "ISO 9809", gas: "air", pressure: "232 bar"},
	{id: "alu-11", name: "Aluminium 11 L", kind: "cylinder", maker: "Saltmark", size: "11 L", spec: "ISO 7866", alloy: "6061-T6", gas: "air", pressure: "207 bar"},
	{id: "b-valve", name: "Cylinder valve", kind: "cylinder-valve", maker: "Brinewell"},
	{id: "m-watch", name: "Wrist computer", kind: "dive-computer", maker: "Morrowfin"},
	{id: "s-comp", name: "Compressor 300 L/min", kind: "compressor", maker: "Saltmark"},
}

type person struct{ id, name, activity, kind, issuer, from, until string }

var people = []person{
	{"ines", "Ines Tamm", "overhaul", "", "in house", "2024-02-01", "2027-01-31"},
	{"ines", "Ines Tamm", "visual-inspection", "cylinder", "in house", "2024-02-01", "2027-01-31"},
	{"rufus", "Rufus Odell-Vane", "inspection", "bcd", "in house", "2025-03-10", ""},
	{"maya", "Maya Brandreth", "overhaul", "", "in house", "2025-10-02", "2027-10-01"},
	{"tove", "Tove Quill", "overhaul", "", "in house", "2024-07-15", "2027-07-14"},
	{"tove", "Tove Quill", "visual-inspection", "cylinder", "in house", "2024-07-15", "2027-07-14"},
}

// unit is a row of units.csv.
type unit struct {
	tag, kind, model, serial, size string
	shop                           *shop
	made                           civil.Mark
	since                          civil.Date
	number                         int // within shop and kind
}

// fitted is a row of fittings.csv; a zero "to" is open.
type fitted struct {
	part, host, place string
	from, to          moment
}

// moment is a day and a time of day at the shop.
type moment struct {
	day    civil.Date
	minute int
}

func (m moment) zero() bool { return m == moment{} }

func at(day civil.Date, hour, minute int) moment { return moment{day, 60*hour + minute} }

func on(year, month, day, hour, minute int) moment {
	return at(civil.New(year, monthOf(month), day), hour, minute)
}

// set is a regulator set and what came fitted to it.
type set struct {
	unit                            *unit
	first, second, alternate, gauge *unit
}

type tank struct{ cylinder, valve *unit }

type fleet struct {
	units    []*unit
	byTag    map[string]*unit
	fittings []fitted
	sets     []*set
	tanks    []*tank
	bcds     []*unit
	watches  []*unit
	spares   []*unit
	comp     *unit
}

func (f *fleet) add(u *unit) *unit {
	f.units = append(f.units, u)
	f.byTag[u.tag] = u
	return u
}

func buildFleet() *fleet {
	f := &fleet{byTag: map[string]*unit{}}
	d := &dice{s: 20261120}
	serial := func(prefix string) string { return fmt.Sprintf("%s-%06d", prefix, 100000+d.n(900000)) }
	for _, s := range shops {
		tag := func(kind string, n int) string { return fmt.Sprintf("%s-%s-%03d", s.code, kind, n) }
		for i := 1; i <= s.sets; i++ {
			since := civil.New(2023, 3, 1).AddDays(d.n(500))
			made := civil.Month(2022, monthOf(d.in(3, 12)))
			mk := func(kind, code, model, sn string) *unit {
				return f.add(&unit{tag: tag(code, i), kind: kind, model: model, serial: sn, shop: s, made: made, since: since, number: i})
			}
			model, firstModel := "set-warm", "b1"
			if s.code == "GB" {
				model, firstModel = "set-cold", "b2"
			}
			x := &set{unit: f.add(&unit{tag: tag("REG", i), kind: "regulator-set", model: model, shop: s, since: since, number: i})}
			x.first = mk("first-stage", "FST", firstModel, serial("BF"))
			x.second = mk("second-stage", "SND", "b-second", serial("BS"))
			x.alternate = mk("alternate-second-stage", "ALT", "b-alternate", serial("BA"))
			x.gauge = mk("pressure-gauge", "SPG", "m-gauge", serial("MG"))
			f.sets = append(f.sets, x)
		}
		for i, kind := range s.spares {
			code, model := map[string]string{"first-stage": "FST", "second-stage": "SND", "alternate-second-stage": "ALT"}[kind], map[string]string{"first-stage": "b1", "second-stage": "b-second", "alternate-second-stage": "b-alternate"}[kind]
			if kind == "first-stage" && s.code == "GB" {
				model = "b2"
			}
			f.spares = append(f.spares, f.add(&unit{tag: tag(code, s.sets+1), kind: kind, model: model, serial: serial("BX"), shop: s, made: civil.Month(2024, monthOf(3+i)), since: civil.New(2024, 9, 2), number: s.sets + 1}))
		}
		for i := 1; i <= s.bcds; i++ {
			f.bcds = append(f.bcds, f.add(&unit{tag: tag("BCD", i), kind: "bcd", model: "m-jacket", serial: serial("MJ"), size: []string{"M", "L", "S", "M", "L", "XS", "XL", "M", "S"}[(i-1)%9], shop: s, made: civil.Month(2022, monthOf(d.in(1, 12))), since: civil.New(2023, 2, 1).AddDays(d.n(560)), number: i}))
		}
		for i := 1; i <= s.cylinders; i++ {
			made := civil.Month(d.in(2020, 2023), monthOf(d.in(1, 12)))
			model := s.cylinderModel
			u := &unit{tag: tag("CYL", i), kind: "cylinder", model: model, serial: serial("S"), shop: s, made: made, since: made.First().AddDays(d.in(40, 140)), number: i}
			f.cylinder(u, i)
			f.add(u)
			valve := f.add(&unit{tag: tag("VLV", i), kind: "cylinder-valve", model: "b-valve", serial: serial("BV"), shop: s, made: u.made, since: u.since, number: i})
			f.tanks = append(f.tanks, &tank{u, valve})
		}
		for i := 1; i <= s.computers; i++ {
			f.watches = append(f.watches, f.add(&unit{tag: tag("DCP", i), kind: "dive-computer", model: "m-watch", serial: serial("MW"), shop: s, made: civil.Month(2023, monthOf(d.in(1, 12))), since: civil.New(2024, 1, 8).AddDays(d.n(250)), number: i}))
		}
		if s.code == "US" {
			f.comp = f.add(&unit{tag: tag("CMP", 1), kind: "compressor", model: "s-comp", serial: serial("SC"), shop: s, made: civil.Month(2024, 6), since: civil.New(2024, 11, 21), number: 1})
		}
	}
	f.fit()
	return f
}

// cylinder gives some cylinders the makings of their story.
func (f *fleet) cylinder(u *unit, i int) {
	switch u.tag {
	case "US-CYL-004": // its month has passed
		u.made, u.since = civil.Month(2021, 10), civil.New(2021, 12, 6)
	case "US-CYL-013", "US-CYL-014": // old alloy: eddy current
		u.model, u.made, u.since = "alu-80-old", civil.Month(1988, 4), civil.New(2022, 2, 14)
	case "GB-CYL-007": // month comes up
		u.made, u.since = civil.Month(2021, 11), civil.New(2022, 3, 1)
	case "GB-CYL-008": // its internal inspection is late
		u.made, u.since = civil.Month(2024, 4), civil.New(2024, 6, 3)
	case "AU-CYL-016": // bought used: nobody knows when it was made
		u.made, u.since = civil.Mark{}, civil.New(2026, 8, 17)
	}
}

// fit fits what belongs together, and swaps what was swapped.
func (f *fleet) fit() {
	put := func(part, host *unit, place string) {
		from := at(max(part.since, host.since), 9, 0)
		f.fittings = append(f.fittings, fitted{part: part.tag, host: host.tag, place: place, from: from})
	}
	for _, x := range f.sets {
		put(x.first, x.unit, "first stage")
		put(x.second, x.unit, "second stage")
		put(x.alternate, x.unit, "alternate second stage")
		put(x.gauge, x.unit, "pressure gauge")
	}
	for _, t := range f.tanks {
		put(t.valve, t.cylinder, "valve")
	}
	end := func(part string, to moment) {
		for i := range f.fittings {
			if f.fittings[i].part == part && f.fittings[i].to.zero() {
				f.fittings[i].to = to
			}
		}
	}
	// A second stage flooded: the spare took its place for three weeks.
	out, back := on(2026, 2, 10, 10, 0), on(2026, 3, 3, 10, 0)
	end("US-SND-004", out)
	f.fittings = append(f.fittings,
		fitted{"US-SND-014", "US-REG-004", "second stage", out, back},
		fitted{"US-SND-004", "US-REG-004", "second stage", back, moment{}})
	// An alternate failed its test: the spare stays.
	swap := on(2026, 10, 19, 14, 30)
	end("GB-ALT-003", swap)
	f.fittings = append(f.fittings, fitted{"GB-ALT-012", "GB-REG-003", "alternate second stage", swap, moment{}})
}
