package registryrpc_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"strandline.example/strandline/internal/auth"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func mask(paths ...string) *fieldmaskpb.FieldMask { return &fieldmaskpb.FieldMask{Paths: paths} }

func TestOrgs(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	op := registrypb.NewRegistryServiceClient(r.as(auth.RoleOperator, ""))
	var want []string
	for _, id := range []string{"b", "a", "d", "c"} {
		resp, err := op.CreateOrg(t.Context(), &registrypb.CreateOrgRequest{OrgId: id, Org: &registrypb.Org{DisplayName: "Chain"}})
		if err != nil || resp.GetPosition().GetRegistry() != 1 || !proto.Equal(resp.GetOrg(), &registrypb.Org{Name: "orgs/" + id, DisplayName: "Chain", CreateTime: at(now)}) {
			t.Fatalf("got %v, %v", resp, err)
		}
	}
	_, err := op.CreateOrg(t.Context(), &registrypb.CreateOrgRequest{OrgId: "a", Org: &registrypb.Org{DisplayName: "Another"}})
	wantRefused(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	_, err = op.CreateOrg(t.Context(), &registrypb.CreateOrgRequest{OrgId: "e", Org: &registrypb.Org{DisplayName: "a\x00"}})
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "org.display_name")
	token, pages := "", 0
	for {
		resp, err := op.ListOrgs(t.Context(), &registrypb.ListOrgsRequest{PageSize: 3, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, o := range resp.GetOrgs() {
			want = append(want, o.GetName())
		}
		pages++
		if token = resp.GetNextPageToken(); token == "" {
			break
		}
	}
	if got := strings.Join(want, " "); got != "orgs/a orgs/b orgs/c orgs/d" || pages != 2 {
		t.Errorf("got %s in %d pages", got, pages)
	}
	a := registrypb.NewRegistryServiceClient(r.as(auth.RoleAuditor, "a"))
	if resp, err := a.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/a"}); err != nil || resp.GetOrg().GetDisplayName() != "Chain" {
		t.Errorf("got %v, %v", resp, err)
	}
	gone := registrypb.NewRegistryServiceClient(r.as(auth.RoleChainManager, "gone"))
	_, err = gone.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/gone"})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = gone.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: "orgs/gone", ShopId: "s", Shop: &registrypb.Shop{DisplayName: "s", TimeZone: "UTC", Jurisdiction: "PT"}})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND") // a token outlives nothing, but an org that was never created has no shops
	_, err = a.ListOrgs(t.Context(), &registrypb.ListOrgsRequest{})
	wantRefused(t, err, codes.PermissionDenied, "PERMISSION_MISSING")
}

func TestShops(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	give := &registrypb.Shop{DisplayName: "Quay", TimeZone: "Europe/Malta", Jurisdiction: "MT"}
	resp, err := c.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: c.name(), ShopId: "quay", Shop: give})
	if err != nil {
		t.Fatal(err)
	}
	want := &registrypb.Shop{Name: c.shop("quay"), DisplayName: "Quay", TimeZone: "Europe/Malta", Jurisdiction: "MT", Etag: resp.GetShop().GetEtag(), CreateTime: at(now), UpdateTime: at(now)}
	if d := cmp.Diff(want, resp.GetShop(), protocmp.Transform()); d != "" || want.GetEtag() == "" {
		t.Error(d)
	}
	_, err = c.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: c.name(), ShopId: "quay", Shop: give})
	wantRefused(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	for _, zone := range []string{"Mars/Olympus", "Local", "localtime", "right/UTC", "posix/UTC", "../../etc/passwd", "europe lisbon", "Europe/"} {
		_, err = c.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: c.name(), ShopId: "x", Shop: &registrypb.Shop{DisplayName: "x", TimeZone: zone, Jurisdiction: "MT"}})
		wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "shop.time_zone")
	}
	r := c.clock
	r.Advance(time.Hour)
	change := proto.Clone(want).(*registrypb.Shop)
	change.DisplayName, change.TimeZone = "Long Quay", "Europe/Rome"
	up, err := c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change, UpdateMask: mask("display_name", "etag")})
	if err != nil {
		t.Fatal(err)
	}
	got := up.GetShop()
	if got.GetDisplayName() != "Long Quay" || got.GetTimeZone() != "Europe/Malta" || got.GetEtag() == want.GetEtag() || !got.GetUpdateTime().AsTime().Equal(now.Add(time.Hour)) || !got.GetCreateTime().AsTime().Equal(now) {
		t.Errorf("got %v", got)
	}
	_, err = c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change})
	wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")
	change.Etag = ""
	up, err = c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change})
	if err != nil || up.GetShop().GetTimeZone() != "Europe/Rome" {
		t.Errorf("got %v, %v", up, err)
	}
	again, err := c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change})
	if err != nil || !proto.Equal(again.GetShop(), up.GetShop()) || again.GetPosition().GetRegistry() != up.GetPosition().GetRegistry() {
		t.Errorf("an update that changes nothing wrote something: %v, %v", again, err)
	}
	get, err := c.GetShop(t.Context(), &registrypb.GetShopRequest{Name: c.shop("quay")})
	if err != nil || !proto.Equal(get.GetShop(), up.GetShop()) {
		t.Errorf("got %v, %v", get, err)
	}
	change.Name = c.shop("gone")
	_, err = c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	for _, name := range []string{"", c.shop("a\x00b"), c.shop("UP"), c.name() + "/models/x", "orgs/reef"} {
		change.Name = name
		_, err = c.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: change})
		wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "shop.name")
	}
	_, err = c.GetShop(t.Context(), &registrypb.GetShopRequest{Name: c.shop("gone")})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
}

func TestModelsAndTheKindOfTheirUnits(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	u, other := c.add("V-1", "vest"), c.add("S-1", "set")
	if u.GetKind() != "bcd" {
		t.Errorf("the unit's kind is %q, want its model's", u.GetKind())
	}
	resp, err := c.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: c.name(), ModelId: "tank", Model: &registrypb.Model{
		DisplayName: "Tank", Kind: "cylinder", Attributes: map[string]string{"alloy": "6061-T6", "gas": "air"}}})
	if err != nil {
		t.Fatal(err)
	}
	m := resp.GetModel()
	_, err = c.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: c.name(), ModelId: "tank", Model: m})
	wantRefused(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	// A mask can name one key of a map: it sets it, or removes it where the message has none.
	up, err := c.UpdateModel(t.Context(), &registrypb.UpdateModelRequest{UpdateMask: mask("attributes.alloy", "attributes.gas"), Model: &registrypb.Model{
		Name: m.GetName(), DisplayName: "x", Kind: "x", Attributes: map[string]string{"alloy": "6351-T6", "specification": "3AL"}}})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(map[string]string{"alloy": "6351-T6"}, up.GetModel().GetAttributes()); d != "" || up.GetModel().GetKind() != "cylinder" {
		t.Errorf("%s, %v", d, up.GetModel())
	}
	vest, err := c.GetModel(t.Context(), &registrypb.GetModelRequest{Name: c.model("vest")})
	if err != nil {
		t.Fatal(err)
	}
	before := head(t, c)
	vest.Model.Kind = "jacket"
	must(t)(c.UpdateModel(t.Context(), &registrypb.UpdateModelRequest{Model: vest.GetModel()}))
	if got := c.get(u.GetName()); got.GetKind() != "jacket" || got.GetEtag() == u.GetEtag() {
		t.Errorf("got %v", got)
	}
	if got := c.get(other.GetName()); !proto.Equal(got, other) {
		t.Errorf("a unit of another model changed: %v", got)
	}
	if ch := readFeed(t, c, before); len(ch) != 2 || ch[0].GetModel().GetKind() != "jacket" || ch[1].GetUnit().GetKind() != "jacket" {
		t.Errorf("the feed has %v", ch)
	}
	_, err = c.UpdateModel(t.Context(), &registrypb.UpdateModelRequest{Model: vest.GetModel()})
	wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")
	vest.Model.Name = c.model("gone")
	_, err = c.UpdateModel(t.Context(), &registrypb.UpdateModelRequest{Model: vest.GetModel()})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.GetModel(t.Context(), &registrypb.GetModelRequest{Name: c.model("gone")})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	list, err := c.ListModels(t.Context(), &registrypb.ListModelsRequest{Parent: c.name(), Filter: `kind != "cylinder" AND NOT size = ""`})
	if err != nil || len(list.GetModels()) != 1 || list.GetModels()[0].GetName() != c.model("vest") {
		t.Errorf("got %v, %v", list, err)
	}
	_, err = c.CreateModel(t.Context(), &registrypb.CreateModelRequest{Parent: c.name(), ModelId: "nul", Model: &registrypb.Model{DisplayName: "x", Kind: "x", Attributes: map[string]string{"alloy": "\x00"}}})
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", `model.attributes["alloy"]`)
}

func TestTechnicians(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	q := &registrypb.Technician_Qualification{Activity: "overhaul", Kind: "first-stage", Issuer: "Maker", ValidFromDate: day(2024, 2, 29), ValidThroughDate: day(2027, 2, 28)}
	resp, err := c.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "ana", Technician: &registrypb.Technician{DisplayName: "Ana", Qualifications: []*registrypb.Technician_Qualification{q, {Activity: "inspection"}}}})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(q, resp.GetTechnician().GetQualifications()[0], protocmp.Transform()); d != "" {
		t.Error(d)
	}
	get, err := c.GetTechnician(t.Context(), &registrypb.GetTechnicianRequest{Name: c.name() + "/technicians/ana"})
	if err != nil || !proto.Equal(get.GetTechnician(), resp.GetTechnician()) {
		t.Errorf("got %v, %v", get, err)
	}
	_, err = c.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "ana", Technician: &registrypb.Technician{DisplayName: "Ana"}})
	wantRefused(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
	for field, bad := range map[string]*registrypb.Technician_Qualification{
		"technician.qualifications[0].valid_through_date": {Activity: "overhaul", ValidFromDate: day(2026, 1, 2), ValidThroughDate: day(2026, 1, 1)},
		"technician.qualifications[0].valid_from_date":    {Activity: "overhaul", ValidFromDate: day(2025, 2, 29)},
		"technician.qualifications[0].kind":               {Activity: "overhaul", Kind: "First Stage"},
		"technician.qualifications[0].activity":           {Activity: "Overhaul!"},
	} {
		_, err = c.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "bo", Technician: &registrypb.Technician{DisplayName: "Bo", Qualifications: []*registrypb.Technician_Qualification{bad}}})
		wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", field)
	}
	change := proto.Clone(resp.GetTechnician()).(*registrypb.Technician)
	change.Qualifications, change.DisplayName = change.GetQualifications()[:1], "Ana B."
	up, err := c.UpdateTechnician(t.Context(), &registrypb.UpdateTechnicianRequest{Technician: change, UpdateMask: mask("qualifications")})
	if err != nil || len(up.GetTechnician().GetQualifications()) != 1 || up.GetTechnician().GetDisplayName() != "Ana" {
		t.Errorf("got %v, %v", up, err)
	}
	_, err = c.UpdateTechnician(t.Context(), &registrypb.UpdateTechnicianRequest{Technician: change})
	wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")
	change.Name = c.name() + "/technicians/gone"
	_, err = c.UpdateTechnician(t.Context(), &registrypb.UpdateTechnicianRequest{Technician: change})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	_, err = c.GetTechnician(t.Context(), &registrypb.GetTechnicianRequest{Name: change.GetName()})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	list, err := c.ListTechnicians(t.Context(), &registrypb.ListTechniciansRequest{Parent: c.name()})
	if err != nil || len(list.GetTechnicians()) != 1 || !proto.Equal(list.GetTechnicians()[0], up.GetTechnician()) {
		t.Errorf("got %v, %v", list, err)
	}
}

func TestCreateUnit(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	id := newID()
	give := &registrypb.Unit{
		Name: "ignored", AssetTag: "C-1", SerialNumber: "SN 1", Model: c.model("vest"), Shop: c.shop("lagoon"), Kind: "ignored",
		ManufactureDate: &date.Date{Year: 2024, Month: 11}, CommissionDate: day(2024, 11, 15), Size: "L", Attributes: map[string]string{"colour": "black"},
	}
	resp, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), UnitId: id, Unit: give})
	if err != nil {
		t.Fatal(err)
	}
	want := proto.Clone(give).(*registrypb.Unit)
	want.Name, want.Kind, want.State, want.Etag, want.CreateTime, want.UpdateTime = c.unitName(id), "bcd", registrypb.Unit_STATE_ACTIVE, resp.GetUnit().GetEtag(), at(now), at(now)
	want.Placements = []*registrypb.Placement{{Shop: c.shop("lagoon")}}
	if d := cmp.Diff(want, resp.GetUnit(), protocmp.Transform()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(want, c.get(want.GetName()), protocmp.Transform()); d != "" {
		t.Error(d)
	}
	ch := readFeed(t, c, resp.GetPosition().GetRegistry()-1)
	if len(ch) != 1 || !proto.Equal(ch[0].GetUnit(), want) || !ch[0].GetChangeTime().AsTime().Equal(now) {
		t.Errorf("the feed has %v", ch)
	}
	for name, bad := range map[string]struct {
		edit   func(*registrypb.CreateUnitRequest)
		code   codes.Code
		reason string
		field  string
	}{
		"an id in use":              {func(r *registrypb.CreateUnitRequest) { r.UnitId = id }, codes.AlreadyExists, "ALREADY_EXISTS", "unit_id"},
		"an id that is nothing":     {func(r *registrypb.CreateUnitRequest) { r.UnitId = "00000000-0000-0000-0000-000000000000" }, codes.InvalidArgument, "INVALID_FIELD", "unit_id"},
		"no such model":             {func(r *registrypb.CreateUnitRequest) { r.Unit.Model = c.model("gone") }, codes.NotFound, "NOT_FOUND", "unit.model"},
		"no such shop":              {func(r *registrypb.CreateUnitRequest) { r.Unit.Shop = c.shop("gone") }, codes.NotFound, "NOT_FOUND", "unit.shop"},
		"a model with a bad id":     {func(r *registrypb.CreateUnitRequest) { r.Unit.Model = c.model("-x") }, codes.InvalidArgument, "INVALID_FIELD", "unit.model"},
		"another org's shop":        {func(r *registrypb.CreateUnitRequest) { r.Unit.Shop = "orgs/other/shops/harbour" }, codes.PermissionDenied, "ORG_MISMATCH", ""},
		"a tag in use":              {func(r *registrypb.CreateUnitRequest) { r.Unit.AssetTag = "C-1" }, codes.AlreadyExists, "ASSET_TAG_TAKEN", "unit.asset_tag"},
		"commissioned tomorrow":     {func(r *registrypb.CreateUnitRequest) { r.Unit.CommissionDate = day(2026, 3, 2) }, codes.InvalidArgument, "IN_THE_FUTURE", "unit.commission_date"},
		"made next month":           {func(r *registrypb.CreateUnitRequest) { r.Unit.ManufactureDate = day(2026, 4, 0) }, codes.InvalidArgument, "IN_THE_FUTURE", "unit.manufacture_date"},
		"made after commissioning":  {func(r *registrypb.CreateUnitRequest) { r.Unit.ManufactureDate = day(2025, 2, 0) }, codes.InvalidArgument, "INVALID_FIELD", "unit.manufacture_date"},
		"a day that does not exist": {func(r *registrypb.CreateUnitRequest) { r.Unit.CommissionDate = day(2025, 2, 29) }, codes.InvalidArgument, "INVALID_FIELD", "unit.commission_date"},
		"commissioned in a month":   {func(r *registrypb.CreateUnitRequest) { r.Unit.CommissionDate = day(2025, 1, 0) }, codes.InvalidArgument, "INVALID_FIELD", "unit.commission_date"},
		"a year alone":              {func(r *registrypb.CreateUnitRequest) { r.Unit.ManufactureDate = day(2024, 0, 0) }, codes.InvalidArgument, "INVALID_FIELD", "unit.manufacture_date"},
		"a NUL in the serial":       {func(r *registrypb.CreateUnitRequest) { r.Unit.SerialNumber = "a\x00" }, codes.InvalidArgument, "INVALID_FIELD", "unit.serial_number"},
		"a tag with a space":        {func(r *registrypb.CreateUnitRequest) { r.Unit.AssetTag = "C 1" }, codes.InvalidArgument, "INVALID_FIELD", "unit.asset_tag"},
		"no unit":                   {func(r *registrypb.CreateUnitRequest) { r.Unit = nil }, codes.InvalidArgument, "INVALID_FIELD", "unit"},
	} {
		req := &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit("C-2", "vest", "harbour")}
		bad.edit(req)
		_, err := c.CreateUnit(t.Context(), req)
		t.Run(name, func(t *testing.T) {
			if bad.field == "" {
				wantRefused(t, err, bad.code, bad.reason)
			} else {
				wantRefused(t, err, bad.code, bad.reason, bad.field)
			}
		})
	}
	// Today is the shop's: when it is 09:00 UTC on 1 March it is 22:00 at UTC+13, and at 11:30 it is past midnight there.
	c.clock.Set(time.Date(2026, 3, 1, 11, 30, 0, 0, time.UTC))
	ahead := c.plainUnit("C-3", "vest", "lagoon")
	ahead.CommissionDate = day(2026, 3, 2)
	must(t)(c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: ahead}))
}

func TestBatchCreateUnits(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	c.add("TAKEN", "vest")
	batch := func(units ...*registrypb.Unit) *registrypb.BatchCreateUnitsRequest {
		req := &registrypb.BatchCreateUnitsRequest{Parent: c.name()}
		for _, u := range units {
			req.Requests = append(req.Requests, &registrypb.CreateUnitRequest{Parent: c.name(), Unit: u})
		}
		return req
	}
	good := func(tag string) *registrypb.Unit { return c.plainUnit(tag, "vest", "harbour") }
	before := head(t, c)
	late := good("T-2")
	late.CommissionDate = day(2027, 1, 1)
	noDay := good("T-3")
	noDay.CommissionDate = day(2025, 1, 0)
	_, err := c.BatchCreateUnits(t.Context(), batch(good("T-1"), late))
	wantRefused(t, err, codes.InvalidArgument, "IN_THE_FUTURE", "requests[1].unit.commission_date")
	_, err = c.BatchCreateUnits(t.Context(), batch(noDay, good("T-1"), noDay))
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "requests[0].unit.commission_date", "requests[2].unit.commission_date")
	_, err = c.BatchCreateUnits(t.Context(), batch(good("T-1"), good("TAKEN")))
	wantRefused(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN", "requests[1].unit.asset_tag")
	_, err = c.BatchCreateUnits(t.Context(), batch(good("T-1"), good("T-1")))
	wantRefused(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN", "requests[1].unit.asset_tag")
	_, err = c.BatchCreateUnits(t.Context(), batch(good("T-1"), c.plainUnit("T-2", "gone", "harbour")))
	wantRefused(t, err, codes.NotFound, "NOT_FOUND", "requests[1].unit.model")
	req := batch(good("T-1"), good("T-2"))
	req.Requests[1].ValidateOnly = true
	_, err = c.BatchCreateUnits(t.Context(), req)
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "requests[1].validate_only")
	if h := head(t, c); h != before {
		t.Errorf("refused batches moved the head from %d to %d", before, h)
	}
	tags := ids("U", 1000)
	units := make([]*registrypb.Unit, len(tags))
	for i, tag := range tags {
		units[len(tags)-1-i] = good(tag)
	}
	resp, err := c.BatchCreateUnits(t.Context(), batch(units...))
	if err != nil {
		t.Fatal(err)
	}
	names := make([]string, len(tags))
	for i, u := range resp.GetUnits() {
		if u.GetAssetTag() != units[i].GetAssetTag() {
			t.Fatalf("unit %d is %s, want %s", i, u.GetAssetTag(), units[i].GetAssetTag())
		}
		names[i] = u.GetName()
	}
	if got := resp.GetPosition().GetRegistry(); got != before+1000 {
		t.Errorf("position %d, want %d", got, before+1000)
	}
	names[1] = names[0] // asked for twice
	got, err := c.BatchGetUnits(t.Context(), &registrypb.BatchGetUnitsRequest{Parent: c.name(), Names: names})
	if err != nil {
		t.Fatal(err)
	}
	for i, u := range got.GetUnits() {
		if u.GetName() != names[i] {
			t.Fatalf("unit %d is %s, want %s", i, u.GetName(), names[i])
		}
	}
	names[7] = c.unitName(newID())
	_, err = c.BatchGetUnits(t.Context(), &registrypb.BatchGetUnitsRequest{Parent: c.name(), Names: names})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND", "names[7]")
}

func TestUpdateUnit(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	u := c.add("U-1", "vest")
	c.add("U-2", "vest")
	change := func(edit func(*registrypb.Unit), paths ...string) (*registrypb.Unit, error) {
		x := proto.Clone(c.get(u.GetName())).(*registrypb.Unit)
		edit(x)
		resp, err := c.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: x, UpdateMask: mask(paths...)})
		return resp.GetUnit(), err
	}
	got, err := change(func(x *registrypb.Unit) {
		x.AssetTag, x.SerialNumber, x.Size, x.Model = "U-9", "SN", "XL", c.model("set")
	}, "serial_number", "model")
	if err != nil || got.GetAssetTag() != "U-1" || got.GetSerialNumber() != "SN" || got.GetSize() != "" || got.GetModel() != c.model("set") || got.GetKind() != "regulator-set" {
		t.Errorf("got %v, %v", got, err)
	}
	got, err = change(func(x *registrypb.Unit) {
		x.AssetTag, x.SerialNumber, x.ManufactureDate, x.CommissionDate, x.Attributes = "U-9", "", day(2023, 5, 0), day(2024, 1, 1), map[string]string{"a": "b"}
	})
	if err != nil || got.GetAssetTag() != "U-9" || got.GetSerialNumber() != "" || !proto.Equal(got.GetManufactureDate(), day(2023, 5, 0)) || !proto.Equal(got.GetCommissionDate(), day(2024, 1, 1)) || got.GetAttributes()["a"] != "b" {
		t.Errorf("got %v, %v", got, err)
	}
	for path, say := range map[string]string{"shop": "TransferUnit", "state": "RetireUnit", "colour": "colour", "commission_date.year": "commission_date.year", "": "want one of", "attributes.": "attributes."} {
		_, err := change(func(*registrypb.Unit) {}, path)
		wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "update_mask")
		if err == nil || !strings.Contains(err.Error(), say) {
			t.Errorf("path %q: %v does not say %s", path, err, say)
		}
	}
	_, err = change(func(*registrypb.Unit) {}, "*", "size")
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "update_mask")
	_, err = change(func(x *registrypb.Unit) { x.Shop = c.shop("lagoon") })
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "unit.shop")
	_, err = change(func(x *registrypb.Unit) { x.AssetTag = "U-2" }, "asset_tag")
	wantRefused(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN", "unit.asset_tag")
	_, err = change(func(x *registrypb.Unit) { x.Model = c.model("gone") }, "model")
	wantRefused(t, err, codes.NotFound, "NOT_FOUND", "unit.model")
	_, err = change(func(x *registrypb.Unit) { x.Etag = "x" }, "size")
	wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")
	_, err = change(func(x *registrypb.Unit) { x.Name = c.unitName(newID()) }, "size")
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	set := c.add("S-1", "set")
	c.fit(got, set, time.Date(2025, 6, 1, 12, 0, 0, 0, time.UTC))
	_, err = change(func(x *registrypb.Unit) { x.CommissionDate = day(2025, 6, 2) }, "commission_date")
	wantRefused(t, err, codes.FailedPrecondition, "ORDER_OF_EVENTS", "unit.commission_date")
	if _, err = change(func(x *registrypb.Unit) { x.CommissionDate = day(2025, 6, 1) }, "commission_date"); err != nil {
		t.Error(err)
	}
}
