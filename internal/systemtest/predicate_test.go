package systemtest

import (
	"slices"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// scopedPack has rules for what only a predicate can tell apart. Its figures are of the tests' own making.
const scopedPack = `
title: Rules with predicates
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: recall, title: Recalled serial numbers, activity: inspection, authority: AUTHORITY_MAKER, source: {document: "invented"}, scope: {where: 'serialWithin(serial, "NB100", "NB199") && model == "bcd"'}, limit: {months: 24}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: australia, title: Where it is in AU, activity: inspection, authority: AUTHORITY_LAW, source: {document: "invented"}, scope: {kinds: [bcd], where: 'inJurisdiction("AU")'}, limit: {months: 24}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: britain, title: Where it is in GB, activity: inspection, authority: AUTHORITY_LAW, source: {document: "invented"}, scope: {kinds: [bcd], jurisdictions: [GB]}, limit: {months: 24}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`

func (f *fleet) publish(id, text string) {
	f.t.Helper()
	pack := &compliancepb.RulePack{}
	if err := protoyaml.Unmarshal([]byte(text), pack); err != nil {
		f.t.Fatal(err)
	}
	r, err := f.compliance.PublishRulePack(f.t.Context(), &compliancepb.PublishRulePackRequest{Parent: f.org, RulePackId: id, RulePack: pack, RequestId: uuid.NewString()})
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
}

// numbered registers a unit with a serial number at shop north.
func (f *fleet) numbered(kind, tag, serial string) *registrypb.Unit {
	f.t.Helper()
	r, err := f.registry.CreateUnit(f.t.Context(), &registrypb.CreateUnitRequest{Parent: f.org, RequestId: uuid.NewString(), Unit: &registrypb.Unit{
		AssetTag: tag, SerialNumber: serial, Model: f.org + "/models/" + kind, Shop: f.org + "/shops/north", CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1},
	}})
	if err != nil {
		f.t.Fatal(err)
	}
	f.saw(r.GetPosition())
	return r.GetUnit()
}

// rules returns the ids of a pack's rules that run on a unit, sorted, as the clocks of an answer name them.
func (f *fleet) rules(s *compliancepb.Standing, pack string) (out []string) {
	for _, c := range s.GetClocks() {
		prefix := f.org + "/rulePacks/" + pack + "/rules/"
		if len(c.GetRule()) > len(prefix) && c.GetRule()[:len(prefix)] == prefix {
			out = append(out, c.GetRule()[len(prefix):])
		}
	}
	slices.Sort(out)
	return out
}

// TestPredicates: a predicate over serial number and model picks the unit meant, whether the pack or the unit came first, also
// after a correction of the serial number.
func TestPredicates(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "scoped")
	before := f.numbered("bcd", "B-1", "nb0150")
	f.publish("scoped", scopedPack)
	for _, tt := range []struct {
		unit *registrypb.Unit
		want []string
	}{
		{before, []string{"britain", "recall"}},
		{f.numbered("bcd", "B-2", "NB100"), []string{"britain", "recall"}},
		{f.numbered("bcd", "B-3", "NB99"), []string{"britain"}},
		{f.numbered("bcd", "B-4", ""), []string{"britain"}},
		{f.numbered("first-stage", "F-1", "NB150"), nil},
	} {
		if got := f.rules(f.standing(tt.unit.GetName()), "scoped"); !slices.Equal(got, tt.want) {
			t.Errorf("%s with serial number %q runs %v, want %v", tt.unit.GetAssetTag(), tt.unit.GetSerialNumber(), got, tt.want)
		}
	}

	before.SerialNumber = "NB200"
	r, err := f.registry.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: before, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"serial_number"}}, RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	if got := f.rules(f.standing(before.GetName()), "scoped"); !slices.Equal(got, []string{"britain"}) {
		t.Errorf("with the serial number corrected it runs %v", got)
	}
	if _, err := f.compliance.RebuildProjection(t.Context(), &compliancepb.RebuildProjectionRequest{Parent: f.org, RequestId: uuid.NewString()}); err != nil {
		t.Fatal(err)
	}
	if got := f.rules(f.standing(before.GetName()), "scoped"); !slices.Equal(got, []string{"britain"}) {
		t.Errorf("after a rebuild it runs %v", got)
	}
}

// TestJurisdictionChanges: a unit that moves to a shop in another jurisdiction changes rules from that instant, and back; a question
// about an earlier instant is answered with the rules of the place it was at.
func TestJurisdictionChanges(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "moving")
	f.publish("scoped", scopedPack)
	unit := f.numbered("bcd", "B-1", "")
	f.stack.Clock.Advance(40 * time.Minute)
	moved := now.Add(10 * time.Minute)
	r, err := f.registry.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: unit.GetName(), DestinationShop: f.org + "/shops/south", TransferTime: timestamppb.New(moved), RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	for _, tt := range []struct {
		at   time.Time
		want []string
	}{
		{moved.Add(-time.Microsecond), []string{"britain"}},
		{moved, []string{"australia"}},
		{f.stack.Clock.Now(), []string{"australia"}},
	} {
		g, err := f.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: unit.GetName(), Instant: timestamppb.New(tt.at), AtLeast: f.position})
		if err != nil {
			t.Fatal(err)
		}
		if got := f.rules(g.GetStanding(), "scoped"); !slices.Equal(got, tt.want) {
			t.Errorf("at %s it runs %v, want %v", tt.at, got, tt.want)
		}
	}
	for list, want := range map[string][]string{"north": nil, "south": {"australia"}} {
		l, err := f.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: f.org, Shop: f.org + "/shops/" + list, HorizonDays: 3650, AtLeast: f.position})
		if err != nil {
			t.Fatal(err)
		}
		var s compliancepb.Standing
		for _, i := range l.GetItems() {
			s.Clocks = append(s.Clocks, i.GetClock())
		}
		if got := f.rules(&s, "scoped"); !slices.Equal(got, want) {
			t.Errorf("the due list of %s has %v, want %v", list, got, want)
		}
	}

	back := f.stack.Clock.Now().Add(-10 * time.Minute)
	r, err = f.registry.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: unit.GetName(), DestinationShop: f.org + "/shops/north", TransferTime: timestamppb.New(back), RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	f.saw(r.GetPosition())
	if got := f.rules(f.standing(unit.GetName()), "scoped"); !slices.Equal(got, []string{"britain"}) {
		t.Errorf("back again it runs %v", got)
	}
}
