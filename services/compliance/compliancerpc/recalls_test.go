package compliancerpc

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// seats is an invented notice about second stages of a range of serial numbers.
func seats() *compliancepb.Recall {
	return &compliancepb.Recall{
		Title: "Seats of a lot that swell", Notice: "Seats may swell and the second stage free-flow. Replace them.", Source: &compliancepb.Source{Document: "notice of the tests", Section: "1"},
		Scope:  &compliancepb.Scope{Kinds: []string{"second-stage"}, Where: `serialWithin(serial, "S100", "S199")`},
		Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}, RemediedBy: []string{"seat-replacement"}, Releasable: true,
	}
}

// stage registers a second stage with a serial number.
func (r *rig) stage(tag, serial, shop string) string {
	name := r.unit("second-stage", tag, shop)
	u := proto.CloneOf(r.registry.changes[r.org][len(r.registry.changes[r.org])-1].GetUnit())
	u.SerialNumber = serial
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	return name
}

func reasonOf(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// TestRecall takes a recall through the API: previewed, opened, seen through and closed; the sets of what it holds are pulled with it, and so
// is a unit that comes into the fleet later.
func TestRecall(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", strings.ReplaceAll(housePack, "kinds: [", "kinds: [second-stage, "))
	r.catalogue("regulator-set", "second-stage")
	set := r.unit("regulator-set", "SET-1", "north")
	inSet, loose, other := r.stage("A-1", "S110", "north"), r.stage("B-1", "S150", "south"), r.stage("C-1", "S200", "south")
	r.fit(inSet, set)
	c := compliancepb.NewRecallServiceClient(r.conn(auth.RoleChainManager, "reef"))
	manager := compliancepb.NewRecallServiceClient(r.conn(auth.RoleShopManager, "reef"))

	var tags []string
	for token := ""; ; {
		p, err := manager.PreviewRecall(t.Context(), &compliancepb.PreviewRecallRequest{Parent: r.org, Recall: seats(), PageSize: 1, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		if p.GetUnitCount() != 2 {
			t.Fatalf("preview of %d units", p.GetUnitCount())
		}
		for _, u := range p.GetUnits() {
			tags = append(tags, u.GetAssetTag()+" "+u.GetSerialNumber()+" "+u.GetState().String())
		}
		if token = p.GetNextPageToken(); token == "" {
			break
		}
	}
	if d := cmp.Diff([]string{"A-1 S110 STATE_COVERED", "B-1 S150 STATE_COVERED"}, tags); d != "" {
		t.Error(d)
	}
	if s := r.standingAt(inSet, now, time.Time{}); len(s.GetHolds()) != 0 {
		t.Errorf("a preview held %v", s.GetHolds())
	}

	open := &compliancepb.OpenRecallRequest{Parent: r.org, Recall: seats(), RecallId: "swollen-seats", RequestId: uuid.NewString()}
	if _, err := manager.OpenRecall(t.Context(), open); status.Code(err) != codes.PermissionDenied {
		t.Errorf("opened by a shop's manager: %v", err)
	}
	dry := proto.CloneOf(open)
	dry.ValidateOnly = true
	if _, err := c.OpenRecall(t.Context(), dry); err != nil {
		t.Fatal(err)
	}
	opened, err := c.OpenRecall(t.Context(), open)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := c.OpenRecall(t.Context(), open); err != nil || !proto.Equal(again, opened) {
		t.Errorf("repeated: %v, %v", again, err)
	}
	if d := cmp.Diff(&compliancepb.RecallProgress{HeldCount: 2}, opened.GetProgress(), protocmp.Transform()); d != "" || opened.GetRecall().GetState() != compliancepb.Recall_STATE_OPEN {
		t.Errorf("%v\n%s", opened.GetRecall(), d)
	}
	for unit, may := range map[string]bool{set: false, inSet: false, loose: false, other: true} {
		if s := r.standingAt(unit, now, time.Time{}); s.GetMayHandOut() && !may || may && len(s.GetHolds()) > 0 {
			t.Errorf("%s: %v", s.GetAssetTag(), s.GetReasons())
		}
	}
	s := r.standingAt(loose, now, time.Time{})
	if h := s.GetHolds()[0]; h.GetCause() != compliancepb.Hold_CAUSE_RECALL || h.GetReason() != "Recalled: Seats of a lot that swell." || h.GetName() != loose+"/holds/recall-swollen-seats" {
		t.Errorf("%v", h)
	}
	if _, err := r.compliance.LiftHold(t.Context(), &compliancepb.LiftHoldRequest{Name: loose + "/holds/recall-swollen-seats", Reason: "x"}); reasonOf(err) != "HOLD_NEEDS_PROOF" {
		t.Errorf("lifted by hand: %v", err)
	}

	// A late arrival is held as soon as compliance hears of it, the others are remedied and released.
	late := r.stage("D-1", "S120", "north")
	if s := r.standingAt(late, now, time.Time{}); len(s.GetHolds()) != 1 {
		t.Errorf("a late arrival has holds %v", s.GetHolds())
	}
	name := r.org + "/recalls/swollen-seats"
	if _, err := c.CloseRecall(t.Context(), &compliancepb.CloseRecallRequest{Name: name}); reasonOf(err) != "RECALL_UNITS_HELD" {
		t.Errorf("closed: %v", err)
	}
	r.clock.Advance(time.Hour)
	proof := r.record(inSet, r.clock.Now(), test("seat-replacement", historypb.Outcome_OUTCOME_PASS))
	freed, err := c.ReleaseRecalledUnit(t.Context(), &compliancepb.ReleaseRecalledUnitRequest{Name: name, Unit: loose, Reason: "seat of another lot, seen by two people"})
	if err != nil || freed.GetUnit().GetState() != compliancepb.RecalledUnit_STATE_RELEASED {
		t.Fatalf("%v, %v", freed, err)
	}
	got, err := c.ListRecalledUnits(t.Context(), &compliancepb.ListRecalledUnitsRequest{Parent: name, AtLeast: r.position})
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, u := range got.GetUnits() {
		lines = append(lines, fmt.Sprint(u.GetAssetTag(), " ", u.GetState(), " ", u.GetLifter() == proof, " ", u.GetLiftReason()))
	}
	want := []string{"A-1 STATE_REMEDIED true ", "D-1 STATE_HELD false ", "B-1 STATE_RELEASED false seat of another lot, seen by two people"}
	if d := cmp.Diff(want, lines); d != "" {
		t.Error(d)
	}
	held, err := c.ListRecalledUnits(t.Context(), &compliancepb.ListRecalledUnitsRequest{Parent: name, Held: true, Shop: r.org + "/shops/north"})
	if err != nil || len(held.GetUnits()) != 1 || held.GetUnits()[0].GetUnit() != late {
		t.Errorf("%v, %v", held, err)
	}
	if s := r.standingAt(loose, now, time.Time{}); len(s.GetHolds()) != 1 {
		t.Errorf("at the instant it was opened: %v", s.GetHolds())
	}
	r.record(late, r.clock.Now(), test("seat-replacement", historypb.Outcome_OUTCOME_PASS))
	closed, err := c.CloseRecall(t.Context(), &compliancepb.CloseRecallRequest{Name: name})
	if err != nil || closed.GetRecall().GetState() != compliancepb.Recall_STATE_CLOSED {
		t.Fatalf("%v, %v", closed, err)
	}
	if list, err := c.ListRecalls(t.Context(), &compliancepb.ListRecallsRequest{Parent: r.org}); err != nil || len(list.GetRecalls()) != 0 {
		t.Errorf("%v, %v", list, err)
	}
	all, err := c.ListRecalls(t.Context(), &compliancepb.ListRecallsRequest{Parent: r.org, IncludeEnded: true})
	if err != nil || len(all.GetRecalls()) != 1 || all.GetRecalls()[0].GetProgress().GetRemediedCount() != 2 {
		t.Errorf("%v, %v", all, err)
	}
	read, err := c.GetRecall(t.Context(), &compliancepb.GetRecallRequest{Name: name})
	if err != nil || !proto.Equal(read.GetRecall(), closed.GetRecall()) {
		t.Errorf("%v, %v", read, err)
	}
	w, err := c.WithdrawRecall(t.Context(), &compliancepb.WithdrawRecallRequest{Name: name, Reason: "the notice was a mistake"})
	if err != nil || w.GetRecall().GetState() != compliancepb.Recall_STATE_WITHDRAWN || w.GetRecall().GetEndReason() != "the notice was a mistake" {
		t.Errorf("%v, %v", w, err)
	}
}

// TestRecallRefuses: what a client can get wrong names the field, and nothing is held.
func TestRecallRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("second-stage")
	unit := r.stage("A-1", "S110", "north")
	c := compliancepb.NewRecallServiceClient(r.conn(auth.RoleChainManager, "reef"))
	for name, tt := range map[string]struct {
		change func(*compliancepb.Recall)
		field  string
	}{
		"covers everything":        {func(p *compliancepb.Recall) { p.Scope = &compliancepb.Scope{Jurisdictions: []string{"GB"}} }, "recall.scope"},
		"no title":                 {func(p *compliancepb.Recall) { p.Title = " " }, "recall.title"},
		"a predicate that is none": {func(p *compliancepb.Recall) { p.Scope.Where = "serial >" }, "recall.scope.where"},
		"nothing blocked":          {func(p *compliancepb.Recall) { p.Blocks = nil }, "recall.blocks"},
		"no source":                {func(p *compliancepb.Recall) { p.Source = nil }, "recall.source"},
		"no scope":                 {func(p *compliancepb.Recall) { p.Scope = nil }, "recall.scope"},
		"no activity":              {func(p *compliancepb.Recall) { p.RemediedBy = []string{"Seat!"} }, "recall.remedied_by[0]"},
	} {
		p := seats()
		tt.change(p)
		_, err := c.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "x", Recall: p})
		_, previewed := c.PreviewRecall(t.Context(), &compliancepb.PreviewRecallRequest{Parent: r.org, Recall: p})
		for _, err := range []error{err, previewed} {
			found := false
			for _, d := range status.Convert(err).Details() {
				if b, ok := d.(*errdetails.BadRequest); ok {
					for _, v := range b.GetFieldViolations() {
						found = found || v.GetField() == tt.field && v.GetDescription() != ""
					}
				}
			}
			if status.Code(err) != codes.InvalidArgument || !found {
				t.Errorf("%s: %v %v", name, err, status.Convert(err).Details())
			}
		}
	}
	p := seats()
	p.Releasable = false
	if _, err := c.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "x", Recall: p}); err != nil {
		t.Fatal(err)
	}
	name := r.org + "/recalls/x"
	if _, err := c.OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: r.org, RecallId: "x", Recall: seats()}); status.Code(err) != codes.AlreadyExists {
		t.Errorf("opened twice: %v", err)
	}
	if _, err := c.ReleaseRecalledUnit(t.Context(), &compliancepb.ReleaseRecalledUnitRequest{Name: name, Unit: unit, Reason: "x"}); reasonOf(err) != "RECALL_NOT_RELEASABLE" {
		t.Errorf("released: %v", err)
	}
	if _, err := c.ReleaseRecalledUnit(t.Context(), &compliancepb.ReleaseRecalledUnitRequest{Name: r.org + "/recalls/y", Unit: unit, Reason: "x"}); status.Code(err) != codes.NotFound {
		t.Errorf("released from nothing: %v", err)
	}
	if _, err := compliancepb.NewRecallServiceClient(r.conn(auth.RoleChainManager, "kelp")).GetRecall(t.Context(), &compliancepb.GetRecallRequest{Name: name}); reasonOf(err) != "ORG_MISMATCH" {
		t.Errorf("another org's: %v", err)
	}
}
