package main

import (
	"context"
	"slices"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// What the demo's Saturday needs of the benches: work that is recorded as done.

// stationWork are the activities that the demo's shops have done elsewhere, and that are marked on the unit.
var stationWork = []string{"hydrostatic-test", "eddy-current-examination"}

// workEntry is a pass of an activity.
func (r *saturdayRun) workEntry(unit, activity string, at time.Time) *historypb.Entry {
	e := &historypb.Entry{Name: unit + "/entries/" + r.id("work", unit, activity), OccurredTime: timestamppb.New(at)}
	if slices.Contains(stationWork, activity) {
		e.Detail = &historypb.Entry_Test{Test: &historypb.Test{
			Activity: activity, Outcome: historypb.Outcome_OUTCOME_PASS, Provider: "Gannet Cylinder Works (invented)", MarkDate: &date.Date{Year: int32(at.Year()), Month: int32(at.Month())},
		}}
		return e
	}
	e.Technician = r.c.technician("ines")
	e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{activity}, Outcome: historypb.Outcome_OUTCOME_PASS}}
	return e
}

// worked says when work of the evening before was done.
func (r *saturdayRun) worked() time.Time { return r.now.Add(-15 * time.Hour).Truncate(time.Minute) }

// record appends entries, each unit and activity once.
func (r *saturdayRun) record(ctx context.Context, entries []*historypb.Entry) error {
	seen := map[string]bool{}
	entries = slices.DeleteFunc(entries, func(e *historypb.Entry) bool {
		twice := seen[e.GetName()]
		seen[e.GetName()] = true
		return twice
	})
	for chunk := range slices.Chunk(entries, 500) {
		out, err := r.c.History.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: r.c.Org.Name(), Entries: chunk})
		if err != nil {
			return err
		}
		r.saw(out.GetPosition())
	}
	return nil
}

// serviceDue has done by the evening before what falls due by date within a week, but for what the demo's report has as overdue. It returns how many units
// that concerns.
func (r *saturdayRun) serviceDue(ctx context.Context) (int, error) {
	reported, err := time.Parse(time.DateOnly, demoDay)
	if err != nil {
		return 0, err
	}
	at, err := r.c.atLeast(ctx)
	if err != nil {
		return 0, err
	}
	later(r.reached, at)
	items, err := r.c.due(ctx, &compliancepb.ListDueRequest{
		Parent: r.c.Org.Name(), LimitKind: compliancepb.LimitKind_LIMIT_KIND_DATE, HorizonDays: 7, Instant: timestamppb.New(r.now), AtLeast: r.reached,
	}, 0)
	if err != nil {
		return 0, err
	}
	units := map[string]bool{}
	var entries []*historypb.Entry
	for _, it := range items {
		due, ok := civilOf(it.GetClock().GetDueDate())
		y, m, d := due.Parts()
		if !ok || it.GetClock().GetActivity() == "" || time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Before(reported) {
			continue
		}
		units[it.GetUnit()] = true
		entries = append(entries, r.workEntry(it.GetUnit(), it.GetClock().GetActivity(), r.worked()))
	}
	return len(units), r.record(ctx, entries)
}

// usedSince records dives of sets that have more left than the day is about: where the demo is played long after the days of its sheets, they were overhauled,
// and used, since.
func (r *saturdayRun) usedSince(ctx context.Context, left map[string]int64) error {
	for _, tag := range sortedKeys(left) {
		u, err := r.c.unit(ctx, tag)
		if err != nil {
			return err
		}
		s, err := r.standing(ctx, u)
		if err != nil {
			return err
		}
		least := int64(-1)
		for _, c := range s.GetClocks() {
			if c.DivesLeft != nil && (least < 0 || c.GetDivesLeft() < least) {
				least = c.GetDivesLeft()
			}
		}
		if least <= left[tag] {
			continue
		}
		if err := r.record(ctx, []*historypb.Entry{{
			Name: u.GetName() + "/entries/" + r.id("used", tag), OccurredTime: timestamppb.New(r.worked().Add(time.Hour)), Note: "dives since " + demoDay + ", from the log",
			Detail: &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: least - left[tag]}}}},
		}}); err != nil {
			return err
		}
	}
	return nil
}

// serviceHeld does what keeps a unit from being handed out: what its rules ask for, and what lifts its holds.
func (r *saturdayRun) serviceHeld(ctx context.Context, tag string) error {
	u, err := r.c.unit(ctx, tag)
	if err != nil {
		return err
	}
	s, err := r.standing(ctx, u)
	if err != nil {
		return err
	}
	var entries []*historypb.Entry
	for _, c := range s.GetClocks() {
		if c.GetBlocking() && c.GetActivity() != "" {
			entries = append(entries, r.workEntry(c.GetUnit(), c.GetActivity(), r.worked()))
		}
	}
	for _, h := range s.GetHolds() {
		if by := h.GetClearedBy(); len(by) > 0 {
			entries = append(entries, r.workEntry(unitOf(h.GetName()), by[0], r.worked()))
		}
	}
	return r.record(ctx, entries)
}
