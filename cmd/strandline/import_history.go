package main

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/sheet"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

const (
	mostDives   = 10_000
	mostHours   = 10_000 * time.Hour
	mostReading = 10_000_000
	mostMetered = 1_000_000 * time.Hour
)

// begin reads what every row of history has: the unit, the instant, shop, technician and note. ok is false if the row cannot
// be an entry.
func (c *check) begin(r *sheet.Row) (e *historypb.Entry, u *knownUnit, at time.Time, ok bool) {
	if u = c.unit(r, "tag"); u == nil {
		return nil, nil, at, false
	}
	if r.Text("date") == "" {
		r.Need("date", "write the day it happened")
		return nil, nil, at, false
	}
	e = &historypb.Entry{Technician: c.technician(r, "technician"), Note: r.Text("note")}
	var shop string
	if r.Text("shop") != "" {
		s := c.shop(r, "shop")
		if s == nil {
			return nil, nil, at, false
		}
		shop = s.id
		at, ok = r.Instant("date", "time", s.zone)
	} else {
		// Times are local where the unit was. A unit that moved is looked for with the zone of its last shop first.
		shop = u.shop()
		if len(u.stays) > 1 {
			if t, _, f := sheet.ParseInstant(r.Text("date"), r.Text("time"), c.im.order, c.zone(shop)); f == nil {
				shop = u.at(t)
			}
		}
		at, ok = r.Instant("date", "time", c.zone(shop))
	}
	if !ok || !c.past(r, "date", at) {
		return nil, nil, at, false
	}
	if civil.In(at, c.zone(shop)) < u.commissioned {
		r.Problem("date", fmt.Sprintf("the unit entered the fleet on %s, after this", u.commissioned), "correct the date, or the unit's commissioned date in units.csv")
		return nil, nil, at, false
	}
	if !u.retired.IsZero() && at.After(u.retired) {
		r.Problem("date", fmt.Sprintf("the unit was retired on %s, before this", civil.In(u.retired, c.zone(shop))), "correct the tag or the date")
		return nil, nil, at, false
	}
	e.Shop = c.w.org.Name() + "/shops/" + shop
	e.OccurredTime = timestamppb.New(at)
	return e, u, at, true
}

// identify gives an entry its id and, if an amendment of this import looks for it, notes it as a target.
func (c *check) identify(r *sheet.Row, e *historypb.Entry, u *knownUnit, at time.Time, reference, content string) *historypb.Entry {
	what := "ref:" + reference
	if reference == "" {
		what = content
	}
	k := rowKey{kind: c.f.typ.name, tag: u.tag, occurred: at, what: what}
	ordinal := c.seen.ordinal(entryID(c.w.org, k, 0))
	e.Name = u.name + "/entries/" + entryID(c.w.org, k, ordinal).String()
	if !r.Bad && !c.mute {
		c.im.targets.note(c.f, u.tag, reference, e)
	}
	return e
}

// increments reads dives, hours and fills.
func (c *check) increments(r *sheet.Row) (*historypb.UsageIncrement, bool) {
	dives, hasDives := r.Whole("dives", 0, mostDives)
	hours, hasHours := r.Hours("hours", mostHours)
	fills, hasFills := r.Whole("fills", 0, mostDives)
	if r.Bad {
		return nil, false
	}
	inc := &historypb.UsageIncrement{Dives: dives, Fills: fills}
	if hours > 0 {
		inc.RunningTime = durationpb.New(hours)
	}
	if dives == 0 && hours == 0 && fills == 0 {
		column := "dives"
		if !hasDives && hasFills {
			column = "fills"
		} else if !hasDives && hasHours {
			column = "hours"
		}
		r.Problem(column, "the row says no dives, hours or fills", "write at least one above zero, or delete the row")
		return nil, false
	}
	return inc, true
}

// activities reads a cell that lists activities: "overhaul + visual inspection".
func (c *check) activities(r *sheet.Row, column string) []string {
	var out []string
	for _, part := range strings.FieldsFunc(r.Text(column), func(x rune) bool { return x == '+' || x == ';' || x == '|' || x == ',' || x == '\n' }) {
		w := word(part)
		if w == "" {
			continue
		}
		if slices.Contains(out, w) {
			r.Problem(column, fmt.Sprintf("%s stands there twice", w), "write each activity once")
			return nil
		}
		out = append(out, w)
	}
	if len(out) == 0 && !r.Bad {
		r.Problem(column, "this cell is empty", "write what was done, such as overhaul, inspection, visual-inspection, hydrostatic-test, valve-service, battery-change, calibration")
	}
	return out
}

// outcome reads how work ended.
func (c *check) outcome(r *sheet.Row) historypb.Outcome {
	switch r.Choice("outcome", "pass", "passed", "fail", "failed", "inconclusive", "condemned") {
	case "pass", "passed":
		return historypb.Outcome_OUTCOME_PASS
	case "fail", "failed":
		return historypb.Outcome_OUTCOME_FAIL
	case "inconclusive":
		return historypb.Outcome_OUTCOME_INCONCLUSIVE
	case "condemned":
		return historypb.Outcome_OUTCOME_CONDEMNED
	}
	if !r.Bad {
		r.Need("outcome", "write pass, fail, inconclusive or condemned")
	}
	return historypb.Outcome_OUTCOME_UNSPECIFIED
}

// serviceDetail reads work done: activities, outcome, mark, provider. content is what makes it another piece of work.
func (c *check) serviceDetail(r *sheet.Row) (s *historypb.Service, content string) {
	s = &historypb.Service{Activities: c.activities(r, "activities"), Outcome: c.outcome(r), Provider: r.Text("provider")}
	if m, ok := r.Mark("marked"); ok && c.pastMark(r, "marked", m) {
		s.MarkDate = dateOf(m)
	}
	sorted := slices.Clone(s.GetActivities())
	slices.Sort(sorted)
	return s, fmt.Sprintf("%s %s", strings.Join(sorted, "+"), s.GetOutcome())
}

func serviceEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	s, content := c.serviceDetail(r)
	if r.Bad {
		return nil
	}
	e.Detail = &historypb.Entry_Service{Service: s}
	return c.identify(r, e, u, at, "", content)
}

// testDetail reads a test. The column of the activity is called activity in tests.csv and activities in amendments.csv.
func (c *check) testDetail(r *sheet.Row, column string) (t *historypb.Test, content string) {
	activities := c.activities(r, column)
	t = &historypb.Test{Outcome: c.outcome(r), Provider: r.Text("provider")}
	if len(activities) > 1 {
		r.Problem(column, "a test is of one activity", "write one row for each")
	} else if len(activities) == 1 {
		t.Activity = activities[0]
	}
	if m, ok := r.Mark("marked"); ok && c.pastMark(r, "marked", m) {
		t.MarkDate = dateOf(m)
	}
	return t, fmt.Sprintf("%s %s", t.GetActivity(), t.GetOutcome())
}

func testEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	t, content := c.testDetail(r, "activity")
	if r.Bad {
		return nil
	}
	e.Detail = &historypb.Entry_Test{Test: t}
	return c.identify(r, e, u, at, "", content)
}

func (c *check) conditionDetail(r *sheet.Row) (d *historypb.Condition, content string) {
	d = &historypb.Condition{Condition: word(r.Need("condition", "write what happened, such as free-flow, flooding, drop, leak, corrosion"))}
	switch r.Choice("severity", "note", "pull") {
	case "note":
		d.Severity = historypb.Condition_SEVERITY_NOTE
	case "pull":
		d.Severity = historypb.Condition_SEVERITY_PULL
	default:
		if !r.Bad {
			r.Need("severity", "write pull if the unit may not be used until it is inspected, else note")
		}
	}
	return d, fmt.Sprintf("%s %s", d.GetCondition(), d.GetSeverity())
}

func conditionEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	d, content := c.conditionDetail(r)
	if r.Bad {
		return nil
	}
	e.Detail = &historypb.Entry_Condition{Condition: d}
	return c.identify(r, e, u, at, "", content)
}
