package systemtest

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// TestOrdersPullAndLotsAreRecalled is the bench and compliance through the whole stack: from the moment that opening an order is answered its unit and
// the set are pulled, until it is signed; and a recall of a lot holds the units that history says its parts went into.
func TestOrdersPullAndLotsAreRecalled(t *testing.T) {
	t.Parallel()
	b := newBencher(t, Start(t), "bommie")
	set, stage, spare := b.unit("regulator-set", "S-1"), b.numbered("second-stage", "R-1"), b.numbered("second-stage", "R-2")
	b.fit(stage, set, now.AddDate(0, 0, -90))
	if s := b.standing(set); !s.GetMayHandOut() {
		t.Fatalf("%v", s.GetReasons())
	}
	touched := b.open(spare, "second-stage-overhaul", "")
	waits := b.openAt(stage, "second-stage-overhaul", "free-flow reported", b.stack.Clock.Now().Add(-4*time.Hour))
	cause := func(unit string) (out []compliancepb.Hold_Cause) {
		for _, h := range b.standing(unit).GetHolds() {
			out = append(out, h.GetCause())
		}
		return out
	}
	onBench := []compliancepb.Hold_Cause{compliancepb.Hold_CAUSE_ORDER}
	for _, unit := range []string{set, stage, spare} {
		if s := b.standing(unit); s.GetMayHandOut() || s.GetMayFill() || !slices.Equal(cause(unit), onBench) {
			t.Errorf("on the bench: %v", s)
		}
	}
	// Closed untouched, the set is free; the unit that was worked on is not.
	end := func(p *played) {
		p.at = p.at.Add(time.Minute)
		r, err := b.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: p.order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(p.at), Technician: b.ines, Reason: "no parts"})
		if err != nil {
			t.Fatal(err)
		}
		b.saw(r.GetPosition())
	}
	touched.moved("", "seat", historypb.PartMove_PART_MOVE_REMOVED, 1)
	touched.record()
	end(touched)
	end(waits)
	if s := b.standing(set); !s.GetMayHandOut() {
		t.Errorf("closed, untouched: %v", s.GetReasons())
	}
	if h := b.standing(spare).GetHolds(); len(h) != 1 || !slices.Equal(h[0].GetClearedBy(), touched.procedure.GetActivities()) {
		t.Errorf("closed over work: %v", h)
	}
	_, signed := b.overhauled(stage)
	if s := b.standing(set); !s.GetMayHandOut() {
		t.Errorf("signed: %v", s.GetReasons())
	}
	for _, p := range []string{stage, spare} {
		var lifters []string
		l, err := b.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: p, IncludeLifted: true, AtLeast: b.position, PageSize: 100})
		if err != nil {
			t.Fatal(err)
		}
		for _, h := range l.GetHolds() {
			if h.GetHold().GetCause() == compliancepb.Hold_CAUSE_ORDER {
				lifters = append(lifters, h.GetHold().GetLifter())
			}
		}
		if p == stage && (len(lifters) != 2 || !slices.Contains(lifters, signed.GetReceipt().GetEntry())) || p == spare && !slices.Equal(lifters, []string{""}) {
			t.Errorf("lifted by %v", lifters)
		}
	}

	// Every lot: what history says is in use is what a recall covers.
	recalls := compliancepb.NewRecallServiceClient(b.conn)
	covered := 0
	for _, part := range append(waits.procedure.GetParts(), &historypb.Part{Id: "never-fitted"}) {
		lot := b.org + "/lots/lot-" + part.GetId()
		in := map[string]int32{}
		if uses, err := b.lots.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: lot, PageSize: 1000}); err == nil {
			for _, u := range uses.GetUses() {
				in[u.GetUnit()] += u.GetCount()
			}
		}
		var want, got []string
		for unit, n := range in {
			if n > 0 {
				want = append(want, unit)
			}
		}
		p, err := recalls.PreviewRecall(t.Context(), &compliancepb.PreviewRecallRequest{Parent: b.org, Recall: &compliancepb.Recall{
			Title: "A lot", Source: &compliancepb.Source{Document: "a notice of the tests"}, Lots: []string{lot}, Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT},
		}})
		if err != nil {
			t.Fatal(err)
		}
		for _, u := range p.GetUnits() {
			got = append(got, u.GetUnit())
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s\n%s", lot, d)
		}
		covered += len(got)
	}
	if covered < 3 {
		t.Errorf("only %d lots are in use", covered)
	}
	r, err := recalls.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: b.org, RecallId: "seats", RequestId: uuid.NewString(), Recall: &compliancepb.Recall{
		Title: "Seats of a lot", Source: &compliancepb.Source{Document: "a notice of the tests"}, Lots: []string{b.org + "/lots/lot-seat"}, Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT},
	}})
	if err != nil || r.GetProgress().GetHeldCount() != 1 {
		t.Fatalf("%v, %v", r, err)
	}
	b.saw(r.GetPosition())
	if s := b.standing(set); s.GetMayHandOut() || !slices.Equal(cause(set), []compliancepb.Hold_Cause{compliancepb.Hold_CAUSE_RECALL}) {
		t.Errorf("recalled: %v", s)
	}
}
