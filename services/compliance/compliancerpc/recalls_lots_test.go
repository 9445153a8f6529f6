package compliancerpc

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// overhauled records a signed overhaul of a unit in which so many seats of a lot were put in, none for 0, and returns the entry of the parts.
func (r *rig) overhauled(unit, lot string, count int32, at time.Time) (order, parts string) {
	opening := r.step(unit, "", at, &historypb.OrderEvent{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Procedure: "second-stage-overhaul", Activities: []string{"overhaul"}}}})
	_, order, _ = cutLast(opening)
	if count > 0 {
		parts = r.step(unit, order, at.Add(time.Minute), &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{
			Part: "seat", Move: historypb.PartMove_PART_MOVE_FITTED, Count: count, Lot: r.org + "/lots/" + lot,
		}}})
	}
	r.step(unit, order, at.Add(time.Hour), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Signed{Signed: &historypb.OrderSigned{Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS}}})
	r.record(unit, at.Add(time.Hour), func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul"}, Outcome: historypb.Outcome_OUTCOME_PASS}}
	})
	return order, parts
}

// TestRecallOfLots recalls lots of parts through the API: it finds the units that they were put into, in whatever shop and set, those that are
// told of late too; and only the remedy, a release or a correction of the order frees them, not another overhaul.
func TestRecallOfLots(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "first-stage")
	set := r.unit("regulator-set", "SET-1", "north")
	inSet, loose, other, unused, withdrawn := r.unit("first-stage", "A-1", "north"), r.unit("first-stage", "B-1", "south"), r.unit("first-stage", "C-1", "south"), r.unit("first-stage", "D-1", "north"), r.unit("first-stage", "E-1", "north")
	r.fit(inSet, set)
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	r.overhauled(inSet, "seats-7", 1, day(-90))
	r.overhauled(loose, "seats-8", 2, day(-80))
	r.overhauled(loose, "seats-9", 2, day(-40)) // replaced, as far as anybody can tell
	r.overhauled(other, "seats-9", 1, day(-70))
	opening := r.step(withdrawn, "", day(-60), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Opened{Opened: &historypb.OrderOpened{Activities: []string{"overhaul"}}}})
	_, order, _ := cutLast(opening)
	for i, move := range []historypb.PartMove{historypb.PartMove_PART_MOVE_FITTED, historypb.PartMove_PART_MOVE_REMOVED, historypb.PartMove_PART_MOVE_FITTED} {
		moved := r.step(withdrawn, order, day(-59+i), &historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Part: "seat", Move: move, Count: 1, Lot: r.org + "/lots/seats-7"}}})
		if i == 2 {
			_, id, _ := cutLast(moved)
			r.step(withdrawn, order, day(-50), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: id, Reason: "of another lot"}}})
		}
	}

	c := compliancepb.NewRecallServiceClient(r.conn(auth.RoleChainManager, "reef"))
	notice := seats()
	notice.Scope, notice.Lots = nil, []string{r.org + "/lots/seats-7", r.org + "/lots/seats-8"}
	preview := func(p *compliancepb.Recall) (tags []string) {
		for token := ""; ; {
			got, err := c.PreviewRecall(t.Context(), &compliancepb.PreviewRecallRequest{Parent: r.org, Recall: p, PageSize: 1, PageToken: token})
			if err != nil {
				t.Fatal(err)
			}
			for _, u := range got.GetUnits() {
				tags = append(tags, fmt.Sprint(u.GetAssetTag(), " of ", got.GetUnitCount()))
			}
			if token = got.GetNextPageToken(); token == "" {
				return tags
			}
		}
	}
	if d := cmp.Diff([]string{"A-1 of 2", "B-1 of 2"}, preview(notice)); d != "" {
		t.Error(d)
	}
	narrow := proto.CloneOf(notice)
	narrow.Scope = &compliancepb.Scope{Kinds: []string{"first-stage"}, Where: `shop == "south"`}
	if d := cmp.Diff([]string{"B-1 of 1"}, preview(narrow)); d != "" {
		t.Error(d)
	}
	narrow.Scope = &compliancepb.Scope{Kinds: []string{"regulator-set"}}
	if got := preview(narrow); len(got) > 0 {
		t.Errorf("of another kind: %v", got)
	}
	for lots, want := range map[string]string{"orgs/kelp/lots/seats-7": "ORG_MISMATCH", "seats-7": "INVALID_FIELD", "orgs/reef/lots/seats-8 orgs/reef/lots/seats-8": "INVALID_FIELD"} {
		p := proto.CloneOf(notice)
		p.Lots = strings.Fields(lots)
		if _, err := c.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "x", Recall: p}); reasonOf(err) != want {
			t.Errorf("%s: %v", lots, err)
		}
	}

	opened, err := c.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "seats", Recall: notice})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(&compliancepb.RecallProgress{HeldCount: 2}, opened.GetProgress(), protocmp.Transform()); d != "" || !cmp.Equal(opened.GetRecall().GetLots(), notice.GetLots()) {
		t.Errorf("%v\n%s", opened.GetRecall(), d)
	}
	held := func(unit string) (why []string) {
		for _, h := range r.standing(unit).GetHolds() {
			if h.GetCause() == compliancepb.Hold_CAUSE_RECALL {
				why = append(why, h.GetReason())
			}
		}
		return why
	}
	for unit, want := range map[string][]string{
		set: {"Recalled: Seats of a lot that swell. Parts of lot seats-7 were put in."}, inSet: {"Recalled: Seats of a lot that swell. Parts of lot seats-7 were put in."},
		loose: {"Recalled: Seats of a lot that swell. Parts of lot seats-8 were put in."}, other: nil, unused: nil, withdrawn: nil,
	} {
		if d := cmp.Diff(want, held(unit)); d != "" {
			t.Errorf("%s\n%s", r.standing(unit).GetAssetTag(), d)
		}
	}
	if s := r.standing(set); s.GetMayHandOut() {
		t.Error("the set may be handed out")
	}

	// Told of late, of a day before the recall: held from its opening, and as known before it was told still free.
	r.clock.Advance(time.Hour)
	known := r.clock.Now()
	r.clock.Advance(time.Hour)
	_, parts := r.overhauled(unused, "seats-8", 1, day(-30))
	if len(held(unused)) != 1 {
		t.Errorf("told late: %v", held(unused))
	}
	if s := r.standingAt(unused, known, known); len(s.GetHolds()) != 0 {
		t.Errorf("as known before: %v", s.GetHolds())
	}
	if s := r.standingAt(unused, known, time.Time{}); len(s.GetHolds()) != 1 {
		t.Errorf("as known now: %v", s.GetHolds())
	}
	// A withdrawal after the signature takes nothing out.
	_, id, _ := cutLast(parts)
	var late string
	for _, ch := range r.history.changes[r.org] {
		if ch.GetEntry().GetName() == parts {
			_, late, _ = cutLast(ch.GetEntry().GetOrderEvent().GetOrder())
		}
	}
	r.step(unused, late, day(-1), &historypb.OrderEvent{Detail: &historypb.OrderEvent_Withdrawn{Withdrawn: &historypb.Withdrawn{Event: id, Reason: "typed"}}})
	if len(held(unused)) != 1 {
		t.Errorf("withdrawn after the signature: %v", held(unused))
	}
	r.clock.Advance(time.Hour)
	r.overhauled(loose, "seats-9", 2, r.clock.Now().Add(-time.Hour))
	if len(held(loose)) != 1 {
		t.Error("another overhaul cleared it")
	}
	r.record(loose, r.clock.Now(), test("seat-replacement", historypb.Outcome_OUTCOME_PASS))
	list, err := c.ListRecalledUnits(t.Context(), &compliancepb.ListRecalledUnitsRequest{Parent: r.org + "/recalls/seats", AtLeast: r.position})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, u := range list.GetUnits() {
		lines = append(lines, fmt.Sprint(u.GetAssetTag(), " ", u.GetState()))
	}
	if d := cmp.Diff([]string{"A-1 STATE_HELD", "D-1 STATE_HELD", "B-1 STATE_REMEDIED"}, lines); d != "" {
		t.Error(d)
	}
	got, err := c.GetRecall(t.Context(), &compliancepb.GetRecallRequest{Name: r.org + "/recalls/seats"})
	if d := cmp.Diff(&compliancepb.RecallProgress{HeldCount: 2, RemediedCount: 1}, got.GetProgress(), protocmp.Transform()); d != "" || err != nil {
		t.Error(d, err)
	}
}
