package compliancerpc

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

func TestPromisesFollowTheWorld(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	hold := func(tag string) *compliancepb.PlaceHoldResponse {
		t.Helper()
		resp, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: units[tag], Hold: &compliancepb.Hold{Reason: "dropped on the jetty", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	a := r.allocate(r.wish(24, 48, 5, item("bcd", "", 1)))[0] // B-1
	if a.GetAssetTag() != "B-1" {
		t.Fatal(a)
	}
	// A hold: another unit takes its place in the answer already.
	first := hold("B-1")
	if got := first.GetAffectedAllocations(); len(got) != 1 || got[0].GetName() != a.GetName() || got[0].GetAssetTag() != "B-2" || got[0].GetSubstitutions()[0].GetActor() != "" ||
		!strings.Contains(got[0].GetSubstitutions()[0].GetReason(), "dropped on the jetty") || len(got[0].GetConflicts()) != 0 {
		t.Fatalf("the hold concerns %v", got)
	}
	// A hold on the other, too: there is none left, and the promise is in conflict; it is not made firm again, nor dropped.
	second := hold("B-2")
	if got := second.GetAffectedAllocations(); len(got) != 1 || len(got[0].GetConflicts()) != 1 || got[0].GetConflicts()[0].GetReason().GetHold() != second.GetHold().GetName() || !got[0].GetConflicts()[0].GetKnownTime().AsTime().Equal(now) {
		t.Fatalf("the second hold concerns %v", got)
	}
	_, err := r.availability.ConfirmAllocations(t.Context(), &compliancepb.ConfirmAllocationsRequest{Parent: r.org, Allocations: names(a)})
	wantReason(t, err, codes.FailedPrecondition, "NOT_AVAILABLE")
	if got := r.list(&compliancepb.ListAllocationsRequest{InConflict: true}); len(got) != 1 {
		t.Fatalf("in conflict: %v", got)
	}
	// A review in which nothing is new says nothing new.
	before := r.allocation(a.GetName())
	r.clock.Advance(time.Hour)
	r.pull()
	if after := r.allocation(a.GetName()); !proto.Equal(before, after) {
		t.Errorf("reviewed once more: %v, was %v", after, before)
	}
	// The first hold is lifted: its unit is free again, and takes the place.
	if _, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: first.GetHold().GetName(), Reason: "only scratched"}); err != nil {
		t.Fatal(err)
	}
	r.pull()
	if got := r.allocation(a.GetName()); got.GetAssetTag() != "B-1" || len(got.GetConflicts()) != 0 || len(got.GetSubstitutions()) != 2 {
		t.Errorf("after the first hold was lifted: %v", got)
	}
	// A unit that was asked for by name is not exchanged; its conflict ends with the hold.
	pinned := r.allocate(r.wish(72, 96, 0, &compliancepb.Outfit_Item{Kind: "regulator-set", Unit: units["R-1"]}))[0]
	third := hold("R-1")
	if got := third.GetAffectedAllocations(); len(got) != 1 || got[0].GetAssetTag() != "R-1" || len(got[0].GetConflicts()) != 1 {
		t.Fatalf("the hold of a pinned unit concerns %v", got)
	}
	if _, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: third.GetHold().GetName(), Reason: "looked at"}); err != nil {
		t.Fatal(err)
	}
	r.pull()
	if got := r.allocation(pinned.GetName()); len(got.GetConflicts()) != 0 {
		t.Errorf("after its hold was lifted: %v", got)
	}
	// More dives than were expected: R-2 had 10 left and 8 are promised.
	worn := r.allocate(r.wish(24, 48, 8, item("regulator-set", "", 1)))[0]
	r.record(units["R-2"], now, dives(5))
	r.pull()
	if got := r.allocation(worn.GetName()); worn.GetAssetTag() != "R-2" || got.GetAssetTag() != "R-3" || !strings.Contains(got.GetSubstitutions()[0].GetReason(), "dives left") {
		t.Errorf("after five dives more: %v", got)
	}
	// A failed test.
	r.record(units["R-3"], now, test("overhaul", historypb.Outcome_OUTCOME_FAIL))
	r.pull()
	if got := r.allocation(worn.GetName()); got.GetAssetTag() != "R-1" || len(got.GetSubstitutions()) != 2 {
		t.Errorf("after the test failed: %v", got)
	}
	// A recall of the whole kind: nothing is left, and all is listed.
	recall, err := r.recalls().OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "notice-1", Recall: &compliancepb.Recall{
		Title: "Second stages of the first series", Source: &compliancepb.Source{Document: "Invented notice"}, Scope: &compliancepb.Scope{Kinds: []string{"regulator-set"}},
		Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT},
	}})
	if err != nil {
		t.Fatal(err)
	}
	if got := recall.GetAffectedAllocations(); len(got) != 2 || len(got[0].GetConflicts()) == 0 || len(got[1].GetConflicts()) == 0 {
		t.Errorf("the recall concerns %v", got)
	}
}

// TestWhatIsNotReviewedIsSaid: a hold and a recall are made although promises cannot be reviewed, and their answers say that they do not know whom they concern.
func TestWhatIsNotReviewedIsSaid(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	r.allocate(r.wish(24, 48, 5, item("bcd", "", 2)))
	conn, err := pgx.Connect(t.Context(), r.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	heads := compliancepg.Schema.Name + ".review_heads"
	if _, err := conn.Exec(t.Context(), `alter table `+heads+` rename to lost`); err != nil {
		t.Fatal(err)
	}
	blocks := []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}
	hold, err := r.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: units["B-1"], Hold: &compliancepb.Hold{Reason: "dropped on the jetty", Blocks: blocks}})
	if err != nil || !hold.GetAffectedUnknown() || len(hold.GetAffectedAllocations()) != 0 {
		t.Errorf("%v, %v", hold, err)
	}
	open := &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "notice-1", RequestId: uuid.NewString(), Recall: &compliancepb.Recall{
		Title: "Inflators of the first series", Source: &compliancepb.Source{Document: "Invented notice"}, Scope: &compliancepb.Scope{Kinds: []string{"bcd"}}, Blocks: blocks,
	}}
	recall, err := r.recalls().OpenRecall(t.Context(), open)
	if err != nil || !recall.GetAffectedUnknown() || len(recall.GetAffectedAllocations()) != 0 {
		t.Errorf("%v, %v", recall, err)
	}
	if _, err := conn.Exec(t.Context(), `alter table `+compliancepg.Schema.Name+`.lost rename to review_heads`); err != nil {
		t.Fatal(err)
	}
	// Whoever repeats the request is told.
	recall, err = r.recalls().OpenRecall(t.Context(), open)
	if err != nil || recall.GetAffectedUnknown() || len(recall.GetAffectedAllocations()) != 2 {
		t.Errorf("repeated: %v, %v", recall, err)
	}
}

// What fails at once for several gets a unit each, as far as there are any.
func TestOneSpareUnitForTwo(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	units["B-3"] = r.unit("bcd", "B-3", "north")
	r.pull()
	both := r.allocate(r.wish(24, 48, 0, item("bcd", "", 2)))
	for _, tag := range []string{"B-1", "B-2"} {
		r.record(units[tag], now, test("inspection", historypb.Outcome_OUTCOME_FAIL))
	}
	r.pull()
	var served, left int
	for _, a := range both {
		switch a = r.allocation(a.GetName()); {
		case a.GetAssetTag() == "B-3" && len(a.GetConflicts()) == 0:
			served++
		case len(a.GetConflicts()) == 1:
			left++
		}
	}
	if served != 1 || left != 1 {
		t.Errorf("%d have the spare unit and %d are in conflict", served, left)
	}
}

// Whoever is late keeps the next customer from a unit: the next gets another, or hears of it.
func TestLateReturns(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	named := func(from, to int) *compliancepb.Allocation {
		return r.allocate(r.wish(from, to, 0, &compliancepb.Outfit_Item{Kind: "bcd", Unit: units["B-1"]}))[0]
	}
	first := named(0, 4)
	if _, err := r.availability.HandOutUnits(t.Context(), &compliancepb.HandOutUnitsRequest{Parent: r.org, Allocations: names(first)}); err != nil {
		t.Fatal(err)
	}
	next := named(4, 8) // to the minute
	whoever := r.allocate(r.wish(8, 12, 0, item("bcd", "", 1)))[0]
	if whoever.GetAssetTag() != "B-1" { // the tightest fit
		t.Fatal(whoever)
	}
	r.clock.Advance(4*time.Hour - time.Microsecond)
	r.pull()
	if a := r.allocation(next.GetName()); len(a.GetConflicts()) != 0 {
		t.Errorf("before it is late: %v", a)
	}
	r.clock.Advance(time.Microsecond)
	r.pull()
	if a := r.allocation(next.GetName()); len(a.GetConflicts()) != 1 || a.GetConflicts()[0].GetReason().GetCode().String() != "REASON_OUT" {
		t.Errorf("asked for by name, when it is late: %v", a)
	}
	if a := r.allocation(whoever.GetName()); a.GetAssetTag() != "B-2" {
		t.Errorf("of any, when it is late: %v", a)
	}
	// Nobody is promised it meanwhile, whenever it might be back.
	if text := r.refused(r.wish(100, 104, 0, &compliancepb.Outfit_Item{Kind: "bcd", Unit: units["B-1"]})); !strings.Contains(text, "OUT") {
		t.Error(text)
	}
	if _, err := r.availability.ExtendAllocations(t.Context(), &compliancepb.ExtendAllocationsRequest{Parent: r.org, Allocations: names(first), EndTime: hours(5)}); err == nil {
		t.Error("extended into the next one's window")
	}
}

// A revision of a pack by which a promised unit will be overdue before its return is heard of at once.
func TestAnOverdueServiceOnAPromisedUnit(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	a := r.allocate(r.wish(24*20, 24*25, 0, item("bcd", "", 1)))[0]
	tighter := strings.Replace(strings.Replace(housePack, "{year: 2020, month: 1, day: 1}", "{year: 2026, month: 6, day: 10}", 1), "scope: {kinds: [bcd]}, limit: {months: 12}", "scope: {kinds: [bcd]}, phase_in: {at_once: true}, limit: {months: 5}", 1)
	r.publish("house", tighter) // five months from 2026-01-01: overdue in the window, and not yet now
	r.pull()
	got := r.allocation(a.GetName())
	if len(got.GetConflicts()) != 1 || got.GetConflicts()[0].GetReason().GetCode() != typepb.Reason_REASON_DATE_LIMIT_PASSED || got.GetConflicts()[0].GetReason().GetRule() != r.org+"/rulePacks/house/rules/bcd" {
		t.Fatalf("after the revision: %v", got)
	}
	// The other is inspected, and takes its place.
	r.record(units["B-2"], now, func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"inspection"}, Outcome: historypb.Outcome_OUTCOME_PASS}}
	})
	r.pull()
	if got := r.allocation(a.GetName()); got.GetAssetTag() != "B-2" || len(got.GetConflicts()) != 0 {
		t.Errorf("after the inspection: %v", got)
	}
}

// TestNoMoreIsMovedThanMustBe: 10 dives are promised of a set that has 7 left by now. One of the two promises goes to another set, and then the other can be kept.
func TestNoMoreIsMovedThanMustBe(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	first, second := r.allocate(r.wish(24, 30, 5, item("regulator-set", "", 1)))[0], r.allocate(r.wish(48, 54, 5, item("regulator-set", "", 1)))[0]
	if tags([]*compliancepb.Allocation{first, second}) != "R-2 R-2" {
		t.Fatal(first, second)
	}
	r.pull()
	r.record(units["R-2"], now, dives(3))
	r.pull()
	first, second = r.allocation(first.GetName()), r.allocation(second.GetName())
	if got := tags([]*compliancepb.Allocation{first, second}); got != "R-3 R-2" || len(first.GetConflicts())+len(second.GetConflicts()) > 0 {
		t.Errorf("%s: %v, %v", got, first, second)
	}
}

// TestAPromiseThatBreaksAnother: from the tenth on a rule leaves 10 dives of R-1, and 8 are promised for the twelfth. Before the tenth nothing limits it, so that 20 more can be
// promised; but then the 8 cannot be kept, and that is found at once, not when the unit comes back.
func TestAPromiseThatBreaksAnother(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	later := strings.Replace(housePack, "{year: 2020, month: 1, day: 1}", "{year: 2026, month: 6, day: 10}", 1)
	r.publish("house", strings.Replace(later, "limit: {months: 12, dives: 100}", "phase_in: {at_once: true}, limit: {months: 12, dives: 50}", 1))
	r.pull()
	first := r.named(24*12, 24*13, 8, "regulator-set", units["R-1"])
	r.pull()
	r.pull()
	second := r.named(24, 48, 20, "regulator-set", units["R-1"])
	r.pull()
	if got := r.allocation(first.GetName()).GetConflicts(); len(got) != 1 || got[0].GetReason().GetCode() != typepb.Reason_REASON_USAGE_LEFT_TOO_LITTLE {
		t.Errorf("after the second promise the first is in conflict for %v", got)
	}
	if _, err := r.availability.ReleaseAllocations(t.Context(), &compliancepb.ReleaseAllocationsRequest{Parent: r.org, Allocations: names(second)}); err != nil {
		t.Fatal(err)
	}
	r.pull()
	if got := r.allocation(first.GetName()).GetConflicts(); len(got) != 0 {
		t.Errorf("after its release the first is in conflict for %v", got)
	}
}

// TestALateReturnToAnotherShop: a unit that is late was promised by the shop to which it belongs by now. When it comes back, without a word for the ledger, that promise can be kept.
func TestALateReturnToAnotherShop(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	late := r.taken(r.named(0, 6, 0, "bcd", units["B-1"])).GetAllocations()[0]
	r.unitAs(units["B-1"], "bcd", "B-1", "north", r.movedTo("south", now))
	r.pull()
	req := r.wish(24, 30, 0, item("bcd", "", 1))
	req.Shop = r.org + "/shops/south"
	next := r.allocate(req)[0]
	r.clock.Set(now.Add(7 * time.Hour))
	r.pull()
	r.pull()
	if got := r.allocation(next.GetName()).GetConflicts(); len(got) != 1 || got[0].GetReason().GetCode() != typepb.Reason_REASON_OUT {
		t.Fatalf("while it is late: %v", got)
	}
	if _, err := r.back(&compliancepb.ReturnUnitsRequest_Return{Allocation: late.GetName()}); err != nil {
		t.Fatal(err)
	}
	r.pull()
	if got := r.allocation(next.GetName()).GetConflicts(); len(got) != 0 {
		t.Errorf("after the return: %v", got)
	}
}

// TestAPromisedUnitIsCorrected: a jacket of size M was promised, and then somebody corrects what the unit is. It is no longer what was asked for.
func TestAPromisedUnitIsCorrected(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	correct := func(tag, kind string, size string) {
		r.unitAs(units[tag], kind, tag, "north", func(u *registrypb.Unit) { u.Size = size })
	}
	why := func(a *compliancepb.Allocation) (out []typepb.Reason) {
		for _, c := range r.allocation(a.GetName()).GetConflicts() {
			out = append(out, c.GetReason().GetCode())
		}
		return out
	}
	asked := r.allocate(r.wish(0, 6, 0, item("bcd", "M", 1)))[0] // B-1
	byName := r.named(0, 6, 0, "bcd", units["B-2"])
	correct("B-1", "bcd", "XL")
	correct("B-2", "bcd", "XL")
	says(t, r.stopped(asked), "OTHER_SIZE units/B-1", `of size "XL", and size "M" is wanted`, "Another unit")
	r.pull()
	if got := why(asked); len(got) != 1 || got[0] != typepb.Reason_REASON_OTHER_SIZE {
		t.Errorf("of the other size: %v", got)
	}
	if got := why(byName); len(got) != 0 {
		t.Errorf("asked for by name, in whatever size: %v", got)
	}
	third := r.unit("bcd", "B-3", "north")
	r.pull()
	if got := r.allocation(asked.GetName()); got.GetUnit() != third || len(got.GetConflicts()) != 0 {
		t.Errorf("another of the size is there: %v", got)
	}
	correct("B-2", "regulator-set", "XL")
	says(t, r.stopped(byName), "OTHER_KIND units/B-2", "The unit is a regulator set, and a BCD is wanted.")
	r.pull()
	if got := why(byName); len(got) != 1 || got[0] != typepb.Reason_REASON_OTHER_KIND {
		t.Errorf("of the other kind: %v", got)
	}
	correct("B-2", "bcd", "XL")
	r.pull()
	if got := why(byName); len(got) != 0 {
		t.Errorf("corrected: %v", got)
	}
	r.taken(byName, asked)
	// Whoever has it goes on with what it is.
	correct("B-2", "regulator-set", "XL")
	r.unitAs(third, "bcd", "B-3", "north", func(u *registrypb.Unit) { u.Size = "S" })
	r.pull()
	if got := append(why(byName), why(asked)...); len(got) != 0 {
		t.Errorf("out: %v", got)
	}
}

// TestWhoeverChangesWhatMayGoOutWakesTheReview: nothing else wakes it here.
func TestWhoeverChangesWhatMayGoOutWakesTheReview(t *testing.T) {
	t.Parallel()
	r, units := counter(t)
	reviewed := make(chan struct{}, 1)
	s := New(Config{DB: r.db, Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history, Reviewed: func(tenant.Org, compliance.Reviewed, error) { reviewed <- struct{}{} }})
	ctx, stop := context.WithCancel(r.inside())
	var running sync.WaitGroup
	running.Go(func() { s.reviewer.Run(ctx) })
	defer running.Wait()
	defer stop()
	step := func(what string, err error) {
		t.Helper()
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		select {
		case <-reviewed:
		case <-time.After(10 * time.Second):
			t.Fatalf("%s, and no promise was looked at", what)
		}
	}
	hold, err := s.PlaceHold(ctx, &compliancepb.PlaceHoldRequest{Parent: units["B-1"], Hold: &compliancepb.Hold{Reason: "dropped", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
	step("a hold is placed", err)
	_, err = s.LiftHold(ctx, &compliancepb.LiftHoldRequest{Name: hold.GetHold().GetName(), Reason: "fine"})
	step("a hold is lifted", err)
	waiver, err := s.GrantWaiver(ctx, &compliancepb.GrantWaiverRequest{Parent: units["B-1"], Waiver: &compliancepb.Waiver{
		Rule: r.org + "/rulePacks/house/rules/bcd", Reason: "the bench is full", Signer: "A. Keeper", EndDate: &date.Date{Year: 2026, Month: 7, Day: 3},
	}})
	step("a waiver is granted", err)
	_, err = s.RevokeWaiver(ctx, &compliancepb.RevokeWaiverRequest{Name: waiver.GetWaiver().GetName(), Reason: "inspected"})
	step("a waiver is revoked", err)
	_, err = s.PublishRulePack(ctx, &compliancepb.PublishRulePackRequest{Parent: r.org, RulePackId: "house", RulePack: parsePack(t, housePack)})
	step("a pack is published", err)
	open := func(id string) {
		t.Helper()
		_, err := s.OpenRecall(ctx, &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: id, Recall: &compliancepb.Recall{
			Title: "Seats may swell", Source: &compliancepb.Source{Document: "an invented notice"}, Scope: &compliancepb.Scope{Kinds: []string{"bcd"}}, Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}, Releasable: true, RemediedBy: []string{"inspection"},
		}})
		step("a recall is opened", err)
	}
	open("seats")
	for _, tag := range []string{"B-1", "B-2"} {
		_, err = s.ReleaseRecalledUnit(ctx, &compliancepb.ReleaseRecalledUnitRequest{Name: r.org + "/recalls/seats", Unit: units[tag], Reason: "seats of another lot"})
		step("a unit is let off a recall", err)
	}
	_, err = s.CloseRecall(ctx, &compliancepb.CloseRecallRequest{Name: r.org + "/recalls/seats"})
	step("a recall is closed", err)
	open("more-seats")
	_, err = s.WithdrawRecall(ctx, &compliancepb.WithdrawRecallRequest{Name: r.org + "/recalls/more-seats", Reason: "a mistake"})
	step("a recall is withdrawn", err)
}
