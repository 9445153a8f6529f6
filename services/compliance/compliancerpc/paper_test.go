package compliancerpc

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func (r *rig) paper() *compliancepb.PaperList {
	r.t.Helper()
	resp, err := r.availability.GetPaperList(r.t.Context(), &compliancepb.GetPaperListRequest{Shop: r.org + "/shops/north"})
	if err != nil {
		r.t.Fatal(err)
	}
	l := resp.GetList()
	for n, line := range strings.Split(l.GetText(), "\n") {
		if len([]rune(line)) > 80 || strings.ContainsFunc(line, func(c rune) bool { return !unicode.IsPrint(c) }) {
			r.t.Errorf("line %d is %d columns wide, or cannot be printed: %q", n+1, len([]rune(line)), line)
		}
	}
	return l
}

// TestPaperListLineByLine holds the text for the printer against what it has to say, line by line.
func TestPaperListLineByLine(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	r.record(units["B-2"], now.AddDate(0, 0, -1), test("inspection", historypb.Outcome_OUTCOME_FAIL))
	r.unit("bcd", "B-9", "south")
	out := item("regulator-set", "", 1)
	out.Unit = units["R-3"]
	r.standing(units["R-1"])
	r.taken(r.allocate(r.wish(0, 6, 2, out))...)
	kept := r.wish(3, 6, 10, item("regulator-set", "", 1)) // R-2, of which 10 are left
	kept.Reference = "B-77"
	r.allocate(kept)
	later := item("regulator-set", "", 1)
	later.Unit = units["R-1"]
	r.allocate(r.wish(30, 60, 15, later)) // tomorrow
	for i, f := range []*fakeFeed{r.registry, r.history} {
		f.fault(func(f *fakeFeed) { f.shows = now.Add(-time.Duration(2+i) * time.Minute) })
	}
	r.pull() // both are read whole, and then they are gone
	for _, f := range []*fakeFeed{r.registry, r.history} {
		f.fault(func(f *fakeFeed) { f.down = true })
	}
	r.clock.Set(now.Add(2 * time.Hour))
	l := r.paper()
	if !l.GetPrintTime().AsTime().Equal(r.clock.Now()) || !l.GetCompleteTime().AsTime().Equal(now.Add(-3*time.Minute)) || l.GetPosition().GetHistory() != r.position.GetHistory() {
		t.Errorf("printed %v, complete until %v, at %v", l.GetPrintTime().AsTime(), l.GetCompleteTime().AsTime(), l.GetPosition())
	}
	if fmt.Sprint(l.GetBlockedTags()) != "[B-2 R-3]" {
		t.Errorf("blocked %v", l.GetBlockedTags())
	}
	var got []string
	for _, u := range l.GetLines() {
		d := u.GetUseByDate()
		left := "-"
		if u.DivesLeft != nil {
			left = fmt.Sprint(u.GetDivesLeft())
		}
		got = append(got, fmt.Sprintf("%s %s %s %d-%d-%d %s %q %v", u.GetAssetTag(), u.GetKind(), u.GetSize(), d.GetYear(), d.GetMonth(), d.GetDay(), left, u.GetPromisedTo(), u.GetUnit() == units[u.GetAssetTag()]))
	}
	want := []string{
		`B-1 bcd M 2027-1-1 - "" true`,
		`R-1 regulator-set M 2027-1-1 45 "" true`,
		`R-2 regulator-set M 2027-1-1 0 "B-77" true`,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	rule := strings.Repeat("-", 80)
	text := strings.Split(l.GetText(), "\n")
	for i, want := range []string{
		"PAPER LIST of north (north), for hand-outs while the gate is shut",
		"Printed Monday 1 June 2026 12:00 (Europe/London)",
		rule,
		"COMPLETE UNTIL Monday 1 June 2026 09:57 (Europe/London), 2 h 3 min before it was",
		"printed.",
		"Whatever happened after that is NOT in it: no failed test, no damage, no recall,",
		"no hold.",
		"This list vouches for nothing. If in doubt, do not hand out.",
		"The maker's manual and local rules go first. Check every unit before the dive as",
		"they say.",
		"Note below what you hand out: tag, to whom, when. Enter it as soon as the",
		"service answers again, before anything else is handed out.",
		"Local code and the maker's manual win.",
		rule,
		"MAY BE HANDED OUT (3), as far as was known, until the end of Monday 1 June 2026:",
		"    tag             kind              size  use by     dives kept for",
		"[ ] B-1             bcd               M     2027-01-01 -",
		"[ ] R-1             regulator-set     M     2027-01-01 45",
		"[ ] R-2             regulator-set     M     2027-01-01 0     B-77",
		rule,
		"MUST NOT BE HANDED OUT (1), whatever it looks like:",
		"    B-2",
		rule,
		"OUT WHEN THIS WAS PRINTED (1): note them as they come back, with dives and",
		"damage, and do not hand them out again by this list:",
		"    R-3",
		rule,
		"HANDED OUT BY THIS LIST, to be entered:",
		"tag             to whom                       out at      back at     dives",
		"",
		"______________  ____________________________  __________  __________  _____",
	} {
		if text[i] != want {
			t.Errorf("line %d\n%s\nwant\n%s", i+1, text[i], want)
		}
	}
	if t.Failed() {
		t.Log("\n" + l.GetText())
	}
	_, err := r.availability.GetPaperList(t.Context(), &compliancepb.GetPaperListRequest{Shop: r.org + "/shops/west"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

// TestPaperListIsNoLaxerThanTheGate: what is promised beyond what is left, or has nothing left for anybody else, is not handed out by it; and what a waiver excuses says until when.
func TestPaperListIsNoLaxerThanTheGate(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	r.named(30, 60, 10, "regulator-set", units["R-2"])         // tomorrow, all that is left of it
	over := r.named(1, 60, 30, "regulator-set", units["R-3"])  // from today, likewise
	kept := r.named(30, 60, 59, "regulator-set", units["R-1"]) // tomorrow, all but one
	r.record(units["R-3"], now, dives(5))
	r.pull()
	says(t, r.stopped(over), "USAGE_LEFT_TOO_LITTLE units/R-3")
	if l := r.paper(); fmt.Sprint(l.GetBlockedTags()) != "[R-2 R-3]" {
		t.Errorf("blocked %v", l.GetBlockedTags())
	} else if got := l.GetLines()[2]; got.GetAssetTag() != "R-1" || got.GetDivesLeft() != 1 {
		t.Errorf("the last line is %v", got)
	}
	if _, err := r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: names(kept)}); err != nil {
		t.Fatal(err)
	}
	if _, err := r.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: units["B-1"], Waiver: &compliancepb.Waiver{
		Rule: r.org + "/rulePacks/house/rules/bcd", Reason: "the bench is full", Signer: "A. Keeper", EndDate: &date.Date{Year: 2027, Month: 1, Day: 3},
	}}); err != nil {
		t.Fatal(err)
	}
	for _, day := range []time.Time{now, time.Date(2027, 1, 2, 9, 0, 0, 0, time.UTC)} { // before the date limit of 2027-01-01, and beyond it
		r.clock.Set(day)
		r.availability = compliancepb.NewAvailabilityServiceClient(r.connAt("client-app", "reef", day))
		if got := r.paper().GetLines()[0]; got.GetAssetTag() != "B-1" || got.GetUseByDate().GetYear() != 2027 || got.GetUseByDate().GetMonth() != 1 || got.GetUseByDate().GetDay() != 3 {
			t.Errorf("on %s: %v", day.Format(time.DateOnly), got)
		}
	}
}

// TestPaperListOfTheLongAndStrange: whatever units, shops and promises are called, it fits the paper; and nobody who does not know says until when it
// is complete.
func TestPaperListOfTheLongAndStrange(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.register(&feedpb.Change{Resource: &feedpb.Change_Shop{Shop: &registrypb.Shop{Name: r.org + "/shops/north", DisplayName: "Taucherhafen am großen Ufer\u200b\x07 " + strings.Repeat("潜水", 30), TimeZone: "America/Argentina/ComodRivadavia", Jurisdiction: "GB"}}})
	r.register(&feedpb.Change{Resource: &feedpb.Change_Model{Model: &registrypb.Model{Name: r.org + "/models/bcd", Kind: "bcd", Size: strings.Repeat("X", 40)}}})
	long := r.unit("bcd", "B/"+strings.Repeat("9", 38), "north")
	r.standing(long)
	req := r.wish(0, 6, 0, item("bcd", "", 1))
	req.Reference = strings.Repeat("reference\t", 8)
	r.allocate(req)
	l := r.paper()
	if l.GetCompleteTime() != nil || !strings.Contains(l.GetText(), "NOBODY CAN SAY UNTIL WHEN THIS LIST IS COMPLETE. Do not hand out by it.\n") || strings.Contains(l.GetText(), "COMPLETE UNTIL") {
		t.Errorf("complete until %v:\n%s", l.GetCompleteTime(), l.GetText())
	}
	says(t, l.GetText(), "[ ] B/"+strings.Repeat("9", 38)+"\n", "size "+strings.Repeat("X", 40), "kept for", "reference?reference?")
	r.taken(&compliancepb.Allocation{Name: r.list(&compliancepb.ListAllocationsRequest{Parent: r.org})[0].GetName()})
	says(t, r.paper().GetText(), "MAY BE HANDED OUT (0)", "    none\n", "OUT WHEN THIS WAS PRINTED (1)")
}

// TestPaperListOfCommonSizes: each unit has one line, with everything that is said of it, also where the sizes are in cubic feet and kinds have long names.
func TestPaperListOfCommonSizes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.shop("north", "Europe/London")
	r.register(&feedpb.Change{Resource: &feedpb.Change_Model{Model: &registrypb.Model{Name: r.org + "/models/bcd", Kind: "bcd", Size: "80 cu ft"}}})
	r.standing(r.unit("bcd", "US-CYL-001", "north"))
	req := r.wish(0, 6, 0, item("bcd", "", 1))
	req.Reference = "R-1041"
	r.allocate(req)
	text := r.paper().GetText()
	says(t, text, "\n    tag          kind              size     use by     dives kept for\n[ ] US-CYL-001   bcd               80 cu ft ", " R-1041\n")
}

// TestCompleteTimeOfAnOldList: a list that is days old says so.
func TestCompleteTimeOfAnOldList(t *testing.T) {
	t.Parallel()
	r, _ := counter(t)
	for _, f := range []*fakeFeed{r.registry, r.history} {
		f.fault(func(f *fakeFeed) { f.shows = now.AddDate(1, 0, 0) }) // a clock that is a year ahead vouches for nothing beyond now
	}
	r.pull()
	r.clock.Set(now.AddDate(0, 0, 3))
	r.availability = compliancepb.NewAvailabilityServiceClient(r.connAt("client-app", "reef", r.clock.Now()))
	if l := r.paper(); !l.GetCompleteTime().AsTime().Equal(now) {
		t.Errorf("complete until %v", l.GetCompleteTime().AsTime())
	} else {
		says(t, l.GetText(), "3 DAYS before it was")
	}
}
