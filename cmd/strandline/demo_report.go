package main

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

const (
	demoHorizon = 30 // days
	demoDives   = 4  // expected in the weekend's window
	demoRows    = 14 // of a list; the rest is counted
)

// demoKinds are what a shop hands out.
var demoKinds = []string{"regulator-set", "bcd", "cylinder", "dive-computer"}

// demoReport is what the demo asked the services for one day.
type demoReport struct {
	day      civil.Date
	weekend  [2]civil.Date
	shops    []*demoShop
	summary  *compliancepb.SummarizeFleetResponse
	holds    []*compliancepb.HeldUnit
	cautions []string
	orgs     int // of the installation
}

type demoShop struct {
	shop    *registrypb.Shop
	zone    *time.Location
	noon    time.Time // of the day, the instant that due lists are told for
	byDate  []*compliancepb.DueItem
	byUsage []*compliancepb.DueItem
	window  []*compliancepb.UnitAvailability
}

func (s *demoShop) id() string { return lastID(s.shop.GetName()) }

// gather asks everything. Every question names the position that the run has reached.
func (r *demoRun) gather(ctx context.Context, day civil.Date) (*demoReport, error) {
	saturday := day + 1
	for (int(saturday)+4)%7 != 6 {
		saturday++
	}
	d := &demoReport{day: day, orgs: r.orgs, weekend: [2]civil.Date{saturday, saturday + 1}}
	parent := r.c.Org.Name()
	y, m, dd := day.Parts()
	// Noon UTC is this day in every shop of the demo.
	var err error
	d.summary, err = r.c.Compliance.SummarizeFleet(ctx, &compliancepb.SummarizeFleetRequest{
		Parent: parent, Instant: timestamppb.New(time.Date(y, m, dd, 12, 0, 0, 0, time.UTC)), HorizonDays: demoHorizon, AtLeast: r.reached,
	})
	if err != nil {
		return nil, err
	}
	shops, err := r.c.Registry.ListShops(ctx, &registrypb.ListShopsRequest{Parent: parent, PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, shop := range shops.GetShops() {
		s := &demoShop{shop: shop}
		if s.zone, err = time.LoadLocation(shop.GetTimeZone()); err != nil {
			return nil, err
		}
		s.noon = day.Start(s.zone).Add(12 * time.Hour)
		due := func(kind compliancepb.LimitKind) ([]*compliancepb.DueItem, error) {
			return r.c.due(ctx, &compliancepb.ListDueRequest{
				Parent: parent, Shop: shop.GetName(), LimitKind: kind, Instant: timestamppb.New(s.noon), HorizonDays: demoHorizon, AtLeast: r.reached,
			}, 0)
		}
		if s.byDate, err = due(compliancepb.LimitKind_LIMIT_KIND_DATE); err != nil {
			return nil, err
		}
		if s.byUsage, err = due(compliancepb.LimitKind_LIMIT_KIND_USAGE); err != nil {
			return nil, err
		}
		for _, kind := range demoKinds {
			units, _, err := r.c.available(ctx, &compliancepb.SearchAvailabilityRequest{
				Parent: parent, Kind: kind, Shop: shop.GetName(), ExpectedDives: demoDives, AtLeast: r.reached,
				StartTime: timestamppb.New(d.weekend[0].Start(s.zone).Add(9 * time.Hour)), EndTime: timestamppb.New(d.weekend[1].Start(s.zone).Add(18 * time.Hour)),
			})
			if err != nil {
				return nil, err
			}
			s.window = append(s.window, units...)
		}
		d.shops = append(d.shops, s)
	}
	d.holds, err = pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.HeldUnit, string, error) {
		resp, err := r.c.Compliance.ListHolds(ctx, &compliancepb.ListHoldsRequest{Parent: parent + "/units/-", PageSize: size, PageToken: token, AtLeast: r.reached})
		return resp.GetHolds(), resp.GetNextPageToken(), err
	})
	if err != nil {
		return nil, err
	}
	d.holds = slices.DeleteFunc(d.holds, func(h *compliancepb.HeldUnit) bool {
		return h.GetHold().GetOpenTime().AsTime().After(d.noonOf(h.GetShop()))
	})
	slices.SortStableFunc(d.holds, func(x, y *compliancepb.HeldUnit) int {
		return cmp.Or(strings.Compare(x.GetShop(), y.GetShop()), x.GetHold().GetOpenTime().AsTime().Compare(y.GetHold().GetOpenTime().AsTime()), strings.Compare(x.GetAssetTag(), y.GetAssetTag()))
	})
	packs, err := r.c.Compliance.ListRulePacks(ctx, &compliancepb.ListRulePacksRequest{Parent: parent, PageSize: 1000})
	if err != nil {
		return nil, err
	}
	for _, p := range packs.GetRulePacks() {
		for _, caution := range p.GetCautions() {
			if !slices.Contains(d.cautions, caution) {
				d.cautions = append(d.cautions, caution)
			}
		}
	}
	return d, nil
}

func (d *demoReport) noonOf(shop string) time.Time {
	for _, s := range d.shops {
		if s.shop.GetName() == shop {
			return s.noon
		}
	}
	return time.Time{}
}

func (d *demoReport) zoneOf(shop string) *time.Location {
	for _, s := range d.shops {
		if s.shop.GetName() == shop {
			return s.zone
		}
	}
	return time.UTC
}

func dayWords(day civil.Date) string {
	y, m, d := day.Parts()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Format("Monday 2 January 2006")
}

// print writes the report for people.
func (d *demoReport) print(a *app) {
	width := a.columns
	if width <= 0 || width > 120 {
		width = 100
	}
	section := func(title string) { a.printf("\n%s\n%s\n", title, strings.Repeat("-", len([]rune(title)))) }

	a.printf("%s on %s\n\n", demoName, dayWords(d.day))
	d.printFleet(a, width)

	section(fmt.Sprintf("1. Overdue, and due by date within %d days", demoHorizon))
	d.printByDate(a, width)
	section("2. Due by dives, hours or fills")
	d.printByUsage(a, width)
	section("3. Pulled from service")
	d.printHolds(a, width)
	section(fmt.Sprintf("4. To hand out on the weekend: %s 09:00 to %s 18:00, %d dives", d.weekend[0], d.weekend[1], demoDives))
	d.printWeekend(a, width)
	section("Cautions")
	for _, c := range d.cautions {
		for i, l := range fold(c, width-4) {
			a.printf("%s%s\n", []string{"  - ", "    "}[min(i, 1)], l)
		}
	}
	section("5. Look further")
	if a.set.Data != ".strandline" {
		a.printf("  export STRANDLINE_DATA=%s\n", a.set.Data)
	}
	if d.orgs > 1 {
		a.printf("  export STRANDLINE_ORG=%s\n", demoOrg)
	}
	if a.set.Server != "" || a.set.DSN != "" {
		a.printf("  With the --server or --dsn of this run:\n")
	}
	t := newTable("", "")
	t.bare = true
	t.row("strandline unit show AU-REG-005", "one unit: its rules, holds, and the arithmetic")
	t.row("strandline history GB-REG-006", "a life: 40 dives typed for 4, then amended")
	t.row("strandline due --horizon 60", "the whole due list, as of now")
	t.row("strandline available --kind bcd --size M \\", "")
	t.row(fmt.Sprintf("  --from %s --to %s --shop bommie", d.weekend[0], d.weekend[1]), "what a booking desk asks")
	t.row("strandline import --dry-run FOLDER", "check spreadsheets of your own")
	t.row("strandline verify", "recompute the ledger's hash chain")
	t.row("strandline serve", "the same as a server, gRPC and JSON")
	t.write(a.out, "  ", 0)
}

func (d *demoReport) printFleet(a *app, width int) {
	t := newTable("shop", "where", ">units", ">ready", ">fitted", ">pulled", ">overdue", ">used up", fmt.Sprintf(">due in %d d", demoHorizon))
	row := func(name, where string, n *compliancepb.FleetCounts) {
		t.row(name, where, fmt.Sprint(n.GetUnits()), fmt.Sprint(n.GetReady()), fmt.Sprint(n.GetFitted()), fmt.Sprint(n.GetPulled()), fmt.Sprint(n.GetOverdueByDate()), fmt.Sprint(n.GetDueByUsage()), fmt.Sprint(n.GetDueWithin()))
	}
	for _, s := range d.summary.GetShops() {
		where := ""
		for _, x := range d.shops {
			if x.shop.GetName() == s.GetShop() {
				where = x.shop.GetDisplayName() + ", " + x.shop.GetJurisdiction()
			}
		}
		row(lastID(s.GetShop()), where, s.GetCounts())
	}
	row("all", "", d.summary.GetOrg().GetCounts())
	t.write(a.out, "  ", width)
}

// dueGroup is what of one unit, with what is fitted to it, falls due at once.
type dueGroup struct {
	shop, tag string
	first     *compliancepb.DueItem
	jobs      []string // activities, in the order met
	count     map[string]int
}

// group puts clocks of one set that end at once on one line.
func group(items []*compliancepb.DueItem, key func(*compliancepb.DueItem) string) []*dueGroup {
	var out []*dueGroup
	at := map[string]*dueGroup{}
	for _, it := range items {
		tag := cmp.Or(it.GetHostTag(), it.GetAssetTag())
		k := it.GetShop() + "|" + tag + "|" + key(it)
		g := at[k]
		if g == nil {
			g = &dueGroup{shop: lastID(it.GetShop()), tag: tag, first: it, count: map[string]int{}}
			at[k] = g
			out = append(out, g)
		}
		job := strings.ReplaceAll(cmp.Or(it.GetClock().GetActivity(), "end of life"), "-", " ")
		if g.count[job] == 0 {
			g.jobs = append(g.jobs, job)
		}
		g.count[job]++
	}
	return out
}

func (g *dueGroup) what() string {
	var words []string
	for _, j := range g.jobs {
		if n := g.count[j]; n > 1 {
			j = fmt.Sprintf("%s of %d parts", j, n)
		}
		words = append(words, j)
	}
	return strings.Join(words, ", ")
}

// civilOf returns a date of the API; of a month its last day.
func civilOf(d *date.Date) (civil.Date, bool) {
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	return m.Last(), d != nil && err == nil
}

func (d *demoReport) printByDate(a *app, width int) {
	var all []*compliancepb.DueItem
	t := newTable("shop", ">units overdue", fmt.Sprintf(">due in %d d", demoHorizon))
	for _, s := range d.shops {
		past, soon := map[string]bool{}, map[string]bool{}
		for _, it := range s.byDate {
			if due, ok := civilOf(it.GetClock().GetDueDate()); ok && due < d.day {
				past[it.GetUnit()] = true
			} else {
				soon[it.GetUnit()] = true
			}
		}
		for u := range past {
			delete(soon, u)
		}
		t.row(s.id(), fmt.Sprint(len(past)), fmt.Sprint(len(soon)))
		all = append(all, s.byDate...)
	}
	t.write(a.out, "  ", width)
	a.printf("\n")
	groups := group(all, func(it *compliancepb.DueItem) string { return showDate(it.GetClock().GetDueDate()) })
	slices.SortStableFunc(groups, func(x, y *dueGroup) int {
		p, _ := civilOf(x.first.GetClock().GetDueDate())
		q, _ := civilOf(y.first.GetClock().GetDueDate())
		return cmp.Or(cmp.Compare(p, q), strings.Compare(x.tag, y.tag))
	})
	t = newTable("last day", "", "tag", "shop", "~work")
	shown := 0
	for _, g := range groups {
		due, _ := civilOf(g.first.GetClock().GetDueDate())
		// Whatever is overdue is shown; of the rest, the soonest.
		if due >= d.day && shown >= demoRows {
			break
		}
		shown++
		var state string
		switch n := int(due - d.day); {
		case n < 0:
			state = fmt.Sprintf("overdue %s", plural(int64(-n), "day"))
		case n == 0:
			state = "last day is today"
		default:
			state = fmt.Sprintf("in %s", plural(int64(n), "day"))
		}
		t.row(due.String(), state, g.tag, g.shop, g.what())
	}
	t.write(a.out, "  ", width)
	if more := len(groups) - shown; more > 0 {
		a.printf("  … and %d more\n", more)
	}
}

func (d *demoReport) printByUsage(a *app, width int) {
	var all []*compliancepb.DueItem
	for _, s := range d.shops {
		all = append(all, s.byUsage...)
	}
	groups := group(all, func(it *compliancepb.DueItem) string { return usedOf(it.GetClock()) })
	if len(groups) == 0 {
		a.printf("  Nothing is used up, or will be within %d days.\n", demoHorizon)
		return
	}
	// What is used up first, then by the day it will be.
	urgency := func(g *dueGroup) civil.Date {
		c := g.first.GetClock()
		if c.GetBlocking() {
			return 0
		}
		if day, ok := civilOf(c.GetExpectedDate()); ok {
			return day
		}
		return civil.New(2999, 1, 1)
	}
	slices.SortStableFunc(groups, func(x, y *dueGroup) int {
		return cmp.Or(cmp.Compare(urgency(x), urgency(y)), strings.Compare(x.tag, y.tag))
	})
	t := newTable("used", "limit reached", "tag", "shop", "~work")
	for _, g := range groups[:min(len(groups), demoRows)] {
		c := g.first.GetClock()
		when := "no use to tell by"
		expected, known := civilOf(c.GetExpectedDate())
		switch {
		case c.GetState() == compliancepb.Clock_STATE_OVERDUE:
			when = "passed"
		case c.GetState() == compliancepb.Clock_STATE_DUE:
			when = "now"
		case known && expected <= d.day:
			when = "any day"
		case known:
			when = "about " + expected.String()
		}
		t.row(usedOf(c), when, g.tag, g.shop, g.what())
	}
	t.write(a.out, "  ", width)
	if more := len(groups) - demoRows; more > 0 {
		a.printf("  … and %d more\n", more)
	}
}

// usedOf prints how much of a limit is used: "96 of 100 dives".
func usedOf(c *compliancepb.Clock) string {
	var parts []string
	if c.DivesLeft != nil {
		parts = append(parts, fmt.Sprintf("%d of %d dives", c.GetDivesUsed(), c.GetLimit().GetDives()))
	}
	if c.GetRunningTimeLeft() != nil {
		hours := func(d *durationpb.Duration) string { return strconv.FormatFloat(d.AsDuration().Hours(), 'f', -1, 64) }
		parts = append(parts, fmt.Sprintf("%s of %s hours", hours(c.GetRunningTimeUsed()), hours(c.GetLimit().GetRunningTime())))
	}
	if c.FillsLeft != nil {
		parts = append(parts, fmt.Sprintf("%d of %d fills", c.GetFillsUsed(), c.GetLimit().GetFills()))
	}
	return strings.Join(parts, ", ")
}

// kindWords prints a kind in the plural.
func kindWords(kind string) string {
	if kind == "bcd" {
		return "BCDs"
	}
	return strings.ReplaceAll(kind, "-", " ") + "s"
}

func (d *demoReport) printWeekend(a *app, width int) {
	for i, s := range d.shops {
		if i > 0 {
			a.printf("\n")
		}
		var counts []string
		t := newTable("tag", "~why not")
		for _, kind := range demoKinds {
			yes, all := 0, 0
			for _, u := range s.window {
				if u.GetKind() != kind {
					continue
				}
				all++
				if u.GetAvailable() {
					yes++
					continue
				}
				t.row(u.GetAssetTag(), whyNot(u.GetReasons()))
			}
			counts = append(counts, fmt.Sprintf("%d of %d %s", yes, all, kindWords(kind)))
		}
		a.printf("  %s: %s\n", s.shop.GetDisplayName(), strings.Join(counts, ", "))
		t.bare = true
		t.write(a.out, "    ", width)
	}
}

// whyNot prints the reasons of one unit on one line; alike sentences once.
func whyNot(reasons []*compliancepb.StandingReason) string {
	var words []string
	for _, r := range reasons {
		if s := r.GetSentence(); !slices.Contains(words, s) {
			words = append(words, s)
		}
	}
	if len(words) > 2 {
		words = append(words[:1], fmt.Sprintf("(And %d more.)", len(words)-1))
	}
	return strings.Join(words, " ")
}

// json writes the report for programs.
func (d *demoReport) json(a *app) error {
	raw := func(messages any) ([]json.RawMessage, error) {
		out := []json.RawMessage{}
		add := func(m proto.Message) error {
			b, err := compact(m)
			out = append(out, b)
			return err
		}
		switch list := messages.(type) {
		case []*compliancepb.DueItem:
			for _, m := range list {
				if err := add(m); err != nil {
					return nil, err
				}
			}
		case []*compliancepb.UnitAvailability:
			for _, m := range list {
				if err := add(m); err != nil {
					return nil, err
				}
			}
		case []*compliancepb.HeldUnit:
			for _, m := range list {
				if err := add(m); err != nil {
					return nil, err
				}
			}
		}
		return out, nil
	}
	type shop struct {
		Shop    string            `json:"shop"`
		ByDate  []json.RawMessage `json:"dueByDate"`
		ByUsage []json.RawMessage `json:"dueByUsage"`
		Weekend []json.RawMessage `json:"weekend"`
	}
	doc := struct {
		Day     string            `json:"day"`
		Summary json.RawMessage   `json:"summary"`
		Holds   []json.RawMessage `json:"holds"`
		Shops   []shop            `json:"shops"`
	}{Day: d.day.String()}
	var err error
	if doc.Summary, err = compact(d.summary); err != nil {
		return err
	}
	if doc.Holds, err = raw(d.holds); err != nil {
		return err
	}
	for _, s := range d.shops {
		x := shop{Shop: s.shop.GetName()}
		if x.ByDate, err = raw(s.byDate); err != nil {
			return err
		}
		if x.ByUsage, err = raw(s.byUsage); err != nil {
			return err
		}
		if x.Weekend, err = raw(s.window); err != nil {
			return err
		}
		doc.Shops = append(doc.Shops, x)
	}
	b, err := json.Marshal(doc)
	if err != nil {
		return err
	}
	return a.writeJSON(b)
}
