package registryrpc_test

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/auth"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// deed is one mutation: a request that can be done now, and its RPC.
type deed struct {
	req  proto.Message
	call func(context.Context, proto.Message) (proto.Message, error)
}

func rpcOf[Q, R proto.Message](call func(context.Context, Q, ...grpc.CallOption) (R, error)) func(context.Context, proto.Message) (proto.Message, error) {
	return func(ctx context.Context, req proto.Message) (proto.Message, error) { return call(ctx, req.(Q)) }
}

// deeds returns one of each mutation, none of which stands in another's way.
func (c *chain) deeds() map[string]deed {
	op := registrypb.NewRegistryServiceClient(c.as(auth.RoleOperator, ""))
	shop := &registrypb.Shop{DisplayName: "Quay", TimeZone: "UTC", Jurisdiction: "PT"}
	model := &registrypb.Model{DisplayName: "Tank", Kind: "cylinder"}
	tech := &registrypb.Technician{DisplayName: "Ana"}
	must(c.t)(c.CreateTechnician(c.t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "cy", Technician: tech}))
	harbour, vest, cy := proto.Clone(shop).(*registrypb.Shop), proto.Clone(model).(*registrypb.Model), &registrypb.Technician{Name: c.name() + "/technicians/cy", DisplayName: "Cy"}
	harbour.Name, vest.Name = c.shop("harbour"), c.model("vest")
	changed, moved, gone, part, host, fitted := c.add("D-1", "set"), c.add("D-2", "set"), c.add("D-3", "set"), c.add("D-4", "first"), c.add("D-5", "set"), c.add("D-6", "first")
	c.fit(fitted, host, now.AddDate(0, 0, -5))
	changed.SerialNumber, changed.Etag = "new", ""
	return map[string]deed{
		"CreateOrg":        {&registrypb.CreateOrgRequest{OrgId: "fresh-" + c.org, Org: &registrypb.Org{DisplayName: "x"}}, rpcOf(op.CreateOrg)},
		"CreateShop":       {&registrypb.CreateShopRequest{Parent: c.name(), ShopId: "quay", Shop: shop}, rpcOf(c.CreateShop)},
		"UpdateShop":       {&registrypb.UpdateShopRequest{Shop: harbour}, rpcOf(c.UpdateShop)},
		"CreateModel":      {&registrypb.CreateModelRequest{Parent: c.name(), ModelId: "tank", Model: model}, rpcOf(c.CreateModel)},
		"UpdateModel":      {&registrypb.UpdateModelRequest{Model: vest}, rpcOf(c.UpdateModel)},
		"CreateTechnician": {&registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "ana", Technician: tech}, rpcOf(c.CreateTechnician)},
		"UpdateTechnician": {&registrypb.UpdateTechnicianRequest{Technician: cy}, rpcOf(c.UpdateTechnician)},
		"CreateUnit":       {&registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit("E-1", "set", "harbour")}, rpcOf(c.CreateUnit)},
		"BatchCreateUnits": {&registrypb.BatchCreateUnitsRequest{Parent: c.name(), Requests: []*registrypb.CreateUnitRequest{{Parent: c.name(), Unit: c.plainUnit("E-2", "set", "harbour")}, {Parent: c.name(), Unit: c.plainUnit("E-3", "set", "harbour")}}}, rpcOf(c.BatchCreateUnits)},
		"UpdateUnit":       {&registrypb.UpdateUnitRequest{Unit: changed}, rpcOf(c.UpdateUnit)},
		"TransferUnit":     {&registrypb.TransferUnitRequest{Name: moved.GetName(), DestinationShop: c.shop("lagoon")}, rpcOf(c.TransferUnit)},
		"RetireUnit":       {&registrypb.RetireUnitRequest{Name: gone.GetName(), Reason: "sold"}, rpcOf(c.RetireUnit)},
		"FitUnit":          {fitting(part, host, now.AddDate(0, 0, -1), time.Time{}), rpcOf(c.FitUnit)},
		"UnfitUnit":        {&registrypb.UnfitUnitRequest{Name: fitted.GetName()}, rpcOf(c.UnfitUnit)},
	}
}

// field sets a field of a request by its name.
func field(m proto.Message, name string, v any) bool {
	f := m.ProtoReflect().Descriptor().Fields().ByName(protoreflect.Name(name))
	if f != nil {
		m.ProtoReflect().Set(f, protoreflect.ValueOf(v))
	}
	return f != nil
}

// TestEveryMutationIsThere compares deeds with the service's methods.
func TestEveryMutationIsThere(t *testing.T) {
	t.Parallel()
	have := newRig(t).found("reef").deeds()
	for _, m := range registrypb.RegistryService_ServiceDesc.Methods {
		input := registrypb.File_strandline_registry_v1_registry_service_proto.Services().ByName("RegistryService").Methods().ByName(protoreflect.Name(m.MethodName)).Input()
		if _, ok := have[m.MethodName]; ok != (input.Fields().ByName("request_id") != nil) {
			t.Errorf("%s takes a request id, and is not tried here (or the other way round)", m.MethodName)
		}
	}
}

func TestARepeatGetsTheFirstAnswer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.found("reef")
	others := r.found("wreck").deeds()
	for name, d := range c.deeds() {
		t.Run(name, func(t *testing.T) {
			id := newID()
			field(d.req, "request_id", id)
			first, err := d.call(t.Context(), d.req)
			if err != nil {
				t.Fatal(err)
			}
			after := head(t, c)
			for range 2 {
				again, err := d.call(t.Context(), proto.Clone(d.req))
				if err != nil || !proto.Equal(first, again) {
					t.Errorf("got %v, %v, want the first answer %v", again, err, first)
				}
			}
			if h := head(t, c); h != after {
				t.Errorf("a repeat moved the head from %d to %d", after, h)
			}
			if name != "CreateOrg" { // which is of another org
				_, err = c.CreateShop(t.Context(), &registrypb.CreateShopRequest{Parent: c.name(), ShopId: "z", RequestId: id, Shop: &registrypb.Shop{DisplayName: "z", TimeZone: "UTC", Jurisdiction: "PT"}})
				wantRefused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
			}
			// Another org's requests have ids of their own.
			field(others[name].req, "request_id", id)
			if _, err := others[name].call(t.Context(), others[name].req); err != nil {
				t.Errorf("the other org: %v", err)
			}
		})
	}
}

func TestARepeatAtTheSameTimeTakesEffectOnce(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	before := head(t, c)
	req := &registrypb.CreateUnitRequest{Parent: c.name(), RequestId: newID(), Unit: c.plainUnit("U-1", "vest", "harbour")}
	answers := make([]*registrypb.CreateUnitResponse, 16)
	together(len(answers), func(i int) {
		var err error
		if answers[i], err = c.CreateUnit(t.Context(), req); err != nil {
			t.Error(err)
		}
	})
	for _, a := range answers {
		if !proto.Equal(a, answers[0]) {
			t.Errorf("got %v and %v", a, answers[0])
		}
	}
	if h := head(t, c); h != before+1 {
		t.Errorf("the head moved from %d to %d", before, h)
	}
}

func TestValidateOnlyLeavesNothing(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	deeds := c.deeds()
	before := head(t, c)
	tried := 0
	for name, d := range deeds {
		field(d.req, "request_id", newID())
		if !field(d.req, "validate_only", true) {
			continue
		}
		tried++
		resp, err := d.call(t.Context(), d.req)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		at := resp.ProtoReflect().Descriptor().Fields().ByName("position")
		if resp.ProtoReflect().Has(at) {
			t.Errorf("%s: a position, and nothing stands there: %v", name, resp)
		}
		if h := head(t, c); h != before {
			t.Errorf("%s: the head moved from %d to %d", name, before, h)
		}
		field(d.req, "validate_only", false) // the id was not used
		if _, err := d.call(t.Context(), d.req); err != nil {
			t.Errorf("%s, for real: %v", name, err)
		}
		before = head(t, c)
	}
	if tried != 12 {
		t.Errorf("tried %d, want 12", tried)
	}
}

// Two orgs have the same ids everywhere, unit ids too. Neither sees, changes or counts anything of the other's.
func TestOrgsWithEqualIDsAreApart(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a, b := r.found("reef"), r.found("wreck")
	const set, part, fit = "0193b1c2-6f7e-7a10-8b3e-000000000001", "0193b1c2-6f7e-7a10-8b3e-000000000002", "0193b1c2-6f7e-7a10-8b3e-000000000003"
	for _, c := range []*chain{a, b} {
		for id, model := range map[string]string{set: "set", part: "first"} {
			must(t)(c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), UnitId: id, Unit: c.plainUnit("T-"+id[35:], model, "harbour")}))
		}
		req := fitting(&registrypb.Unit{Name: c.unitName(part)}, &registrypb.Unit{Name: c.unitName(set)}, now.AddDate(0, 0, -1), time.Time{})
		req.FittingId = fit
		must(t)(c.FitUnit(t.Context(), req))
		must(t)(c.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: c.name(), TechnicianId: "ana", Technician: &registrypb.Technician{DisplayName: "Ana of " + c.org}}))
	}
	snapshot := func(c *chain) string {
		t.Helper()
		var all []proto.Message
		shops, err := c.ListShops(t.Context(), &registrypb.ListShopsRequest{Parent: c.name()})
		must(t)(shops, err)
		models, err := c.ListModels(t.Context(), &registrypb.ListModelsRequest{Parent: c.name()})
		must(t)(models, err)
		technicians, err := c.ListTechnicians(t.Context(), &registrypb.ListTechniciansRequest{Parent: c.name()})
		must(t)(technicians, err)
		units, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name()})
		must(t)(units, err)
		fittings, err := c.ListFittings(t.Context(), &registrypb.ListFittingsRequest{Parent: c.unitName("-")})
		must(t)(fittings, err)
		if len(shops.GetShops()) != 2 || len(models.GetModels()) != 3 || len(technicians.GetTechnicians()) != 1 || len(units.GetUnits()) != 2 || len(fittings.GetFittings()) != 1 {
			t.Errorf("%s has %d shops, %d models, %d technicians, %d units, %d fittings", c.org, len(shops.GetShops()), len(models.GetModels()), len(technicians.GetTechnicians()), len(units.GetUnits()), len(fittings.GetFittings()))
		}
		all = append(all, shops, models, technicians, units, fittings)
		for _, ch := range readFeed(t, c, 0) {
			all = append(all, ch)
		}
		s := ""
		for _, m := range all {
			b, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
			must(t)(nil, err)
			s += string(b)
		}
		return s
	}
	before := snapshot(b)
	// Everything of a changes.
	u := a.get(a.unitName(set))
	u.SerialNumber = "changed"
	must(t)(a.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: u}))
	must(t)(a.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: a.unitName(part)}))
	must(t)(a.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: a.unitName(set), DestinationShop: a.shop("lagoon")}))
	must(t)(a.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: a.unitName(part), Reason: "worn"}))
	must(t)(a.UpdateModel(t.Context(), &registrypb.UpdateModelRequest{Model: &registrypb.Model{Name: a.model("first"), DisplayName: "x", Kind: "x"}}))
	must(t)(a.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: &registrypb.Shop{Name: a.shop("harbour"), DisplayName: "x", TimeZone: "UTC", Jurisdiction: "US"}}))
	must(t)(a.UpdateTechnician(t.Context(), &registrypb.UpdateTechnicianRequest{Technician: &registrypb.Technician{Name: a.name() + "/technicians/ana", DisplayName: "x"}}))
	if snapshot(b) != before {
		t.Error("what one org did shows in the other")
	}
	// Names of the other org are refused, whether or not they exist; its names with our org find nothing of it.
	for i, call := range []func() (any, error){
		func() (any, error) { return a.GetUnit(t.Context(), &registrypb.GetUnitRequest{Name: b.unitName(set)}) },
		func() (any, error) {
			return a.GetUnit(t.Context(), &registrypb.GetUnitRequest{Name: b.unitName(newID())})
		},
		func() (any, error) { return a.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: b.name()}) },
		func() (any, error) {
			return a.BatchGetUnits(t.Context(), &registrypb.BatchGetUnitsRequest{Parent: a.name(), Names: []string{b.unitName(set)}})
		},
		func() (any, error) {
			return a.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: a.unitName(set), DestinationShop: b.shop("lagoon")})
		},
		func() (any, error) {
			return a.UpdateShop(t.Context(), &registrypb.UpdateShopRequest{Shop: &registrypb.Shop{Name: b.shop("harbour"), DisplayName: "x", TimeZone: "UTC", Jurisdiction: "PT"}})
		},
	} {
		_, err := call()
		if got := refused(t, err); got.code != codes.PermissionDenied || got.reason != "ORG_MISMATCH" {
			t.Errorf("call %d: got %v", i, err)
		}
	}
	// A page token of one org is none of another's.
	p, err := a.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: a.name(), PageSize: 1})
	if err != nil || p.GetNextPageToken() == "" {
		t.Fatal(p, err)
	}
	_, err = b.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: b.name(), PageSize: 1, PageToken: p.GetNextPageToken()})
	wantRefused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token")
}
