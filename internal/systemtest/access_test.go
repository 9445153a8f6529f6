package systemtest

import (
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc/rpctest"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// public is every service that the public server has.
func public() []protoreflect.ServiceDescriptor {
	var out []protoreflect.ServiceDescriptor
	for _, f := range []protoreflect.FileDescriptor{
		registrypb.File_strandline_registry_v1_registry_service_proto, historypb.File_strandline_history_v1_history_service_proto,
		compliancepb.File_strandline_compliance_v1_compliance_service_proto, compliancepb.File_strandline_compliance_v1_availability_service_proto,
		compliancepb.File_strandline_compliance_v1_recall_service_proto, compliancepb.File_strandline_compliance_v1_certificate_service_proto,
		historypb.File_strandline_history_v1_order_service_proto, historypb.File_strandline_history_v1_lot_proto,
		historypb.File_strandline_history_v1_procedure_service_proto, historypb.File_strandline_history_v1_bench_service_proto,
	} {
		for i := range f.Services().Len() {
			out = append(out, f.Services().Get(i))
		}
	}
	return out
}

// TestEveryRPCByEveryRole walks every RPC, every role, the own org and a foreign one.
func TestEveryRPCByEveryRole(t *testing.T) {
	inTurn(t)
	t.Parallel()
	s := Start(t)
	newFleet(t, s, rpctest.OwnOrg)
	newFleet(t, s, rpctest.ForeignOrg)
	rpctest.Walk(t, s.Anonymous(t), func(role, org string) string { return s.Token(t, role, org) }, public()...)
}

// TestOneOrgNeverSeesAnother gives two orgs the same tags and ids and compares what each sees, through every list.
func TestOneOrgNeverSeesAnother(t *testing.T) {
	t.Parallel()
	s := Start(t)
	a, b := newFleet(t, s, "left"), newFleet(t, s, "right")
	ua, ub := a.unit("bcd", "B-1"), b.unit("bcd", "B-1")
	a.append(dives(ua, now.AddDate(0, 0, -1), 3))
	b.append(condition(ub, now.AddDate(0, 0, -1), "flooding"))

	if s := a.standing(ua); !s.GetMayHandOut() {
		t.Errorf("the other org's flooding pulled this one's unit: %v", s.GetReasons())
	}
	if s := b.standing(ub); s.GetMayHandOut() {
		t.Error("a flooding did not pull the unit")
	}
	// The other org's unit under this org's name does not exist here.
	alias := a.org + ub[len(b.org):]
	if _, err := a.registry.GetUnit(t.Context(), &registrypb.GetUnitRequest{Name: alias}); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("registry: %v", err)
	}
	if _, err := a.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: alias, AtLeast: a.position}); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("compliance: %v", err)
	}
	if _, err := a.history.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: a.org, Entries: []*historypb.Entry{dives(alias, now, 1)}}); reasonOf(err) != "NOT_FOUND" {
		t.Errorf("history: %v", err)
	}
	l, err := a.history.ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: a.org + "/units/-"})
	if err != nil || len(l.GetEntries()) != 1 {
		t.Errorf("ListEntries: %v %v", l, err)
	}
	h, err := a.compliance.ListHolds(t.Context(), &compliancepb.ListHoldsRequest{Parent: a.org + "/units/-", AtLeast: a.position, IncludeLifted: true})
	if err != nil || len(h.GetHolds()) != 0 {
		t.Errorf("ListHolds: %v %v", h, err)
	}
	u, err := a.registry.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: a.org})
	if err != nil || len(u.GetUnits()) != 1 {
		t.Errorf("ListUnits: %v %v", u, err)
	}
}

// TestShopManagerBringsInAFleet: a shop's manager may import units and fittings, and not the chain's shops, models or technicians.
func TestShopManagerBringsInAFleet(t *testing.T) {
	t.Parallel()
	s := Start(t)
	f := newFleet(t, s, "importer")
	client := registrypb.NewRegistryServiceClient(s.Public(t, auth.RoleShopManager, "importer"))
	bring := func(r *registrypb.ImportRecordsRequest_Record) (*registrypb.ImportRecordsResponse, error) {
		stream, err := client.ImportRecords(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		_ = stream.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Header_{Header: &registrypb.ImportRecordsRequest_Header{Parent: f.org}}})
		_ = stream.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Record_{Record: r}})
		return stream.CloseAndRecv()
	}
	r, err := bring(&registrypb.ImportRecordsRequest_Record{Row: 2, Record: &registrypb.ImportRecordsRequest_Record_Unit{Unit: &registrypb.Unit{
		AssetTag: "B-9", Model: f.org + "/models/bcd", Shop: f.org + "/shops/north", CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 2},
	}}})
	if err != nil || r.GetCreated() != 1 {
		t.Errorf("a unit: %v %v", r, err)
	}
	_, err = bring(&registrypb.ImportRecordsRequest_Record{Row: 2, Record: &registrypb.ImportRecordsRequest_Record_Model{Model: &registrypb.Model{Name: f.org + "/models/new", DisplayName: "New", Kind: "bcd"}}})
	if reasonOf(err) != "PERMISSION_MISSING" {
		t.Errorf("a model: %v", err)
	}
}

// TestUpdateReadsOnlyTheMask: an update with a mask needs no more of the resource than its name and the fields of the mask, which are
// held to the same rules as ever.
func TestUpdateReadsOnlyTheMask(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "masked")
	unit := f.unit("bcd", "B-1")
	size := &registrypb.UpdateUnitRequest{Unit: &registrypb.Unit{Name: unit, Size: "L"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"size"}}}
	r, err := f.registry.UpdateUnit(t.Context(), size)
	if err != nil || r.GetUnit().GetSize() != "L" || r.GetUnit().GetAssetTag() != "B-1" {
		t.Errorf("a mask of one field: %v %v", r, err)
	}
	for _, bad := range []*registrypb.UpdateUnitRequest{
		{Unit: &registrypb.Unit{Name: unit, AssetTag: "no spaces please"}, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"asset_tag"}}},
		{Unit: &registrypb.Unit{Name: unit, Size: "L"}}, // without a mask everything counts
	} {
		if _, err := f.registry.UpdateUnit(t.Context(), bad); reasonOf(err) != "INVALID_FIELD" {
			t.Errorf("%v: %v", bad, err)
		}
	}
}
