package registryrpc_test

import (
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestTagIsFreeAgainAfterRetirement(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	old := c.add("R-1", "vest")
	_, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit("R-1", "vest", "harbour")})
	wantRefused(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN", "unit.asset_tag")
	if got := refused(t, err).resource; got != old.GetName() {
		t.Errorf("the tag's holder: got %q, want %q", got, old.GetName())
	}
	resp, err := c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: old.GetName(), Reason: "sold"})
	if err != nil {
		t.Fatal(err)
	}
	if u := resp.GetUnit(); u.GetState() != registrypb.Unit_STATE_RETIRED || !u.GetRetireTime().AsTime().Equal(now) || u.GetRetireReason() != "sold" || u.GetEtag() == old.GetEtag() {
		t.Errorf("got %v", u)
	}
	fresh := c.add("R-1", "vest")
	_, err = c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: old.GetName(), Reason: "again"})
	wantRefused(t, err, codes.FailedPrecondition, "UNIT_RETIRED")
	if got := c.get(old.GetName()); !proto.Equal(got, resp.GetUnit()) {
		t.Errorf("the retired unit changed: %v", got)
	}
	list, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), Filter: `state = STATE_ACTIVE AND asset_tag = "R-1"`})
	if err != nil || len(list.GetUnits()) != 1 || list.GetUnits()[0].GetName() != fresh.GetName() {
		t.Errorf("got %v, %v", list, err)
	}
}

func TestRetirementEndsFittingsBothWays(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	set, body, hose := c.add("S-1", "set"), c.add("B-1", "first"), c.add("H-1", "first")
	c.fit(body, set, now.AddDate(0, 0, -10))
	c.fit(hose, body, now.AddDate(0, 0, -9))
	before := head(t, c)
	end := now.AddDate(0, 0, -2)
	for name, bad := range map[string]time.Time{"before a fitting": now.AddDate(0, 0, -10), "before commissioning": time.Date(2025, 1, 9, 0, 0, 0, 0, time.UTC)} {
		_, err := c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: body.GetName(), Reason: "worn", RetireTime: at(bad)})
		wantRefused(t, err, codes.FailedPrecondition, "ORDER_OF_EVENTS", "retire_time")
		_ = name
	}
	_, err := c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: body.GetName(), Reason: "worn", RetireTime: at(now.Add(6 * time.Minute))})
	wantRefused(t, err, codes.InvalidArgument, "IN_THE_FUTURE", "retire_time")
	must(t)(c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: body.GetName(), Reason: "worn", RetireTime: at(end)}))
	list, err := c.ListFittings(t.Context(), &registrypb.ListFittingsRequest{Parent: c.name() + "/units/-"})
	if err != nil || len(list.GetFittings()) != 2 {
		t.Fatalf("got %v, %v", list, err)
	}
	for _, f := range list.GetFittings() {
		if !f.GetUnfitTime().AsTime().Equal(end) {
			t.Errorf("%s ends at %v, want %v", f.GetName(), f.GetUnfitTime().AsTime(), end)
		}
	}
	changes := readFeed(t, c, before)
	if len(changes) != 3 || changes[0].GetFitting() == nil || changes[1].GetFitting() == nil || changes[2].GetUnit().GetName() != body.GetName() {
		t.Errorf("the feed has %v, want two fittings and the unit", changes)
	}
	for _, req := range []*registrypb.FitUnitRequest{fitting(body, set, now.AddDate(0, 0, -1), time.Time{}), fitting(hose, body, now.AddDate(0, 0, -1), time.Time{})} {
		_, err = c.FitUnit(t.Context(), req)
		wantRefused(t, err, codes.FailedPrecondition, "UNIT_RETIRED")
	}
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: body.GetName(), DestinationShop: c.shop("lagoon")})
	wantRefused(t, err, codes.FailedPrecondition, "UNIT_RETIRED")
	u := c.get(body.GetName())
	u.Size = "L"
	_, err = c.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: u})
	wantRefused(t, err, codes.FailedPrecondition, "UNIT_RETIRED")
	_, err = c.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: body.GetName()})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
}

func TestTransferTakesFittedPartsAlong(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	set, body, hose, bystander := c.add("S-1", "set"), c.add("B-1", "first"), c.add("H-1", "first"), c.add("X-1", "first")
	c.fit(body, set, now.AddDate(0, 0, -10))
	c.fit(hose, body, now.AddDate(0, 0, -9))
	_, err := c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: hose.GetName(), DestinationShop: c.shop("lagoon")})
	wantRefused(t, err, codes.FailedPrecondition, "FITTED_ELSEWHERE")
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("lagoon"), TransferTime: at(now.AddDate(0, 0, -10).Add(time.Hour))})
	wantRefused(t, err, codes.FailedPrecondition, "ORDER_OF_EVENTS", "transfer_time") // the hose was fitted later, at the harbour
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("nowhere")})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND", "destination_shop")
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("harbour")})
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "destination_shop")
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("lagoon"), TransferTime: at(now.Add(time.Hour))})
	wantRefused(t, err, codes.InvalidArgument, "IN_THE_FUTURE", "transfer_time")
	_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("lagoon"), Etag: "other"})
	wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")

	before, moved := head(t, c), now.AddDate(0, 0, -1)
	resp, err := c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("lagoon"), TransferTime: at(moved), Etag: set.GetEtag()})
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range []*registrypb.Unit{set, body, hose} {
		got := c.get(u.GetName())
		if got.GetShop() != c.shop("lagoon") || got.GetEtag() == u.GetEtag() || len(got.GetPlacements()) != 2 {
			t.Fatalf("%s: got %v", u.GetAssetTag(), got)
		}
		first, second := got.GetPlacements()[0], got.GetPlacements()[1]
		if first.GetShop() != c.shop("harbour") || first.GetStartTime() != nil || second.GetShop() != c.shop("lagoon") || !second.GetStartTime().AsTime().Equal(moved) {
			t.Errorf("%s: placements %v", u.GetAssetTag(), got.GetPlacements())
		}
	}
	if got := c.get(bystander.GetName()); !proto.Equal(got, bystander) {
		t.Errorf("the unit that is fitted to nothing moved: %v", got)
	}
	if changes := readFeed(t, c, before); len(changes) != 3 || changes[2].GetPosition() != resp.GetPosition().GetRegistry() {
		t.Errorf("the feed has %v, want three units up to %d", changes, resp.GetPosition().GetRegistry())
	}
	for _, when := range []time.Time{moved, moved.Add(-time.Hour)} {
		_, err = c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("harbour"), TransferTime: at(when)})
		wantRefused(t, err, codes.FailedPrecondition, "ORDER_OF_EVENTS", "transfer_time")
	}
	_, err = c.FitUnit(t.Context(), fitting(bystander, set, now.Add(-time.Hour), time.Time{}))
	wantRefused(t, err, codes.FailedPrecondition, "OTHER_SHOP", "parent")
	_, err = c.FitUnit(t.Context(), fitting(bystander, set, moved.Add(-2*time.Hour), time.Time{})) // together at first, apart later
	wantRefused(t, err, codes.FailedPrecondition, "OTHER_SHOP", "parent")
	must(t)(c.FitUnit(t.Context(), fitting(bystander, set, moved.Add(-2*time.Hour), moved))) // taken off when the set left
}

// A part taken off at the very instant of a transfer stays; one fitted at it moves.
func TestTransferAtTheInstantOfAFitting(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	set, off, on, below := c.add("S-1", "set"), c.add("B-1", "first"), c.add("B-2", "first"), c.add("H-1", "first")
	moved := now.AddDate(0, 0, -1)
	must(t)(c.FitUnit(t.Context(), fitting(off, set, moved.AddDate(0, 0, -5), moved)))
	must(t)(c.FitUnit(t.Context(), fitting(on, set, moved, time.Time{})))
	must(t)(c.FitUnit(t.Context(), fitting(below, on, moved.AddDate(0, 0, -5), moved)))
	must(t)(c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: set.GetName(), DestinationShop: c.shop("lagoon"), TransferTime: at(moved)}))
	for u, want := range map[*registrypb.Unit]string{set: "lagoon", off: "harbour", on: "lagoon", below: "harbour"} {
		if got := c.get(u.GetName()).GetShop(); got != c.shop(want) {
			t.Errorf("%s is at %s, want %s", u.GetAssetTag(), got, want)
		}
	}
}

func TestFittingRules(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	set, body, hose := c.add("S-1", "set"), c.add("B-1", "first"), c.add("H-1", "first")
	start := now.AddDate(0, 0, -10)
	f := c.fit(body, set, start)
	gone := &registrypb.Unit{Name: c.unitName(newID())}
	for name, give := range map[string]struct {
		req    *registrypb.FitUnitRequest
		code   codes.Code
		reason string
		field  string
	}{
		"fitted elsewhere":             {fitting(body, hose, now.AddDate(0, 0, -1), time.Time{}), codes.FailedPrecondition, "FITTING_OVERLAP", "parent"},
		"fitted before, to later":      {fitting(body, hose, start.AddDate(0, 0, -1), start.Add(time.Microsecond)), codes.FailedPrecondition, "FITTING_OVERLAP", "parent"},
		"to itself":                    {fitting(hose, hose, start, time.Time{}), codes.FailedPrecondition, "FITTING_CYCLE", "fitting.host"},
		"to its own part":              {fitting(set, body, now.AddDate(0, 0, -1), time.Time{}), codes.FailedPrecondition, "FITTING_CYCLE", "fitting.host"},
		"no such part":                 {fitting(gone, set, start, time.Time{}), codes.NotFound, "NOT_FOUND", "parent"},
		"no such host":                 {fitting(hose, gone, start, time.Time{}), codes.NotFound, "NOT_FOUND", "fitting.host"},
		"in the future":                {fitting(hose, set, now.Add(5*time.Minute+time.Microsecond), time.Time{}), codes.InvalidArgument, "IN_THE_FUTURE", "fitting.fit_time"},
		"ends in the future":           {fitting(hose, set, start, now.Add(time.Hour)), codes.InvalidArgument, "IN_THE_FUTURE", "fitting.unfit_time"},
		"ends as it begins":            {fitting(hose, set, start, start), codes.InvalidArgument, "INVALID_FIELD", "fitting.unfit_time"},
		"before commissioning":         {fitting(hose, set, time.Date(2025, 1, 9, 23, 59, 0, 0, time.UTC), time.Time{}), codes.FailedPrecondition, "BEFORE_COMMISSIONING", "fitting.fit_time"},
		"without an instant":           {&registrypb.FitUnitRequest{Parent: hose.GetName(), Fitting: &registrypb.Fitting{Host: set.GetName()}}, codes.InvalidArgument, "INVALID_FIELD", "fitting.fit_time"},
		"with a control character":     {&registrypb.FitUnitRequest{Parent: hose.GetName(), Fitting: &registrypb.Fitting{Host: set.GetName(), FitTime: at(start), Place: "a\x00b"}}, codes.InvalidArgument, "INVALID_FIELD", "fitting.place"},
		"with an id that is in use":    {&registrypb.FitUnitRequest{Parent: hose.GetName(), FittingId: f.GetName()[len(f.GetName())-36:], Fitting: &registrypb.Fitting{Host: set.GetName(), FitTime: at(start)}}, codes.AlreadyExists, "ALREADY_EXISTS", "fitting_id"},
		"with a host of another org":   {&registrypb.FitUnitRequest{Parent: hose.GetName(), Fitting: &registrypb.Fitting{Host: "orgs/other/units/" + newID(), FitTime: at(start)}}, codes.PermissionDenied, "ORG_MISMATCH", ""},
		"with a host that is no uuid":  {&registrypb.FitUnitRequest{Parent: hose.GetName(), Fitting: &registrypb.Fitting{Host: c.unitName("ffffffff-ffff-ffff-ffff-fffffffffff-"), FitTime: at(start)}}, codes.InvalidArgument, "INVALID_FIELD", "fitting.host"},
		"with an instant out of range": {&registrypb.FitUnitRequest{Parent: hose.GetName(), Fitting: &registrypb.Fitting{Host: set.GetName(), FitTime: at(time.Date(12000, 1, 1, 0, 0, 0, 0, time.UTC))}}, codes.InvalidArgument, "INVALID_FIELD", "fitting.fit_time"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := c.FitUnit(t.Context(), give.req)
			if give.field == "" {
				wantRefused(t, err, give.code, give.reason)
			} else {
				wantRefused(t, err, give.code, give.reason, give.field)
			}
		})
	}
	// A chain of three cannot be closed, but it may be once it was opened.
	c.fit(hose, body, start)
	_, err := c.FitUnit(t.Context(), fitting(set, hose, now.AddDate(0, 0, -3), time.Time{}))
	wantRefused(t, err, codes.FailedPrecondition, "FITTING_CYCLE", "fitting.host")
	_, err = c.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: body.GetName(), UnfitTime: at(start)})
	wantRefused(t, err, codes.FailedPrecondition, "ORDER_OF_EVENTS", "unfit_time")
	_, err = c.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: body.GetName(), UnfitTime: at(now.Add(time.Hour))})
	wantRefused(t, err, codes.InvalidArgument, "IN_THE_FUTURE", "unfit_time")
	_, err = c.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: set.GetName()})
	wantRefused(t, err, codes.NotFound, "NOT_FOUND")
	resp, err := c.UnfitUnit(t.Context(), &registrypb.UnfitUnitRequest{Name: body.GetName(), UnfitTime: at(now.AddDate(0, 0, -3))})
	if err != nil || resp.GetFitting().GetName() != f.GetName() || !resp.GetFitting().GetUnfitTime().AsTime().Equal(now.AddDate(0, 0, -3)) {
		t.Fatalf("got %v, %v", resp, err)
	}
	c.fit(set, hose, now.AddDate(0, 0, -3)) // the very instant: a fitting ends before it
	// A clock that runs ahead by less than five minutes is taken.
	c.fit(c.add("X-1", "first"), hose, now.Add(5*time.Minute))
}

func TestListFittings(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	set, other, body := c.add("S-1", "set"), c.add("S-2", "set"), c.add("B-1", "first")
	d := func(n int) time.Time { return now.AddDate(0, 0, n) }
	must(t)(c.FitUnit(t.Context(), fitting(body, other, d(-5), d(-4))))
	must(t)(c.FitUnit(t.Context(), fitting(body, set, d(-20), d(-10))))
	must(t)(c.FitUnit(t.Context(), fitting(body, set, d(-3), time.Time{})))
	must(t)(c.FitUnit(t.Context(), fitting(c.add("B-2", "first"), set, d(-8), time.Time{})))
	list := func(req *registrypb.ListFittingsRequest) (out []int) {
		t.Helper()
		req.PageSize = 2
		for {
			resp, err := c.ListFittings(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range resp.GetFittings() {
				out = append(out, int(f.GetFitTime().AsTime().Sub(now).Hours()/24))
			}
			if req.PageToken = resp.GetNextPageToken(); req.PageToken == "" {
				return out
			}
		}
	}
	for name, give := range map[string]struct {
		req  *registrypb.ListFittingsRequest
		want []int
	}{
		"of a part":                    {&registrypb.ListFittingsRequest{Parent: body.GetName()}, []int{-20, -5, -3}},
		"of every part":                {&registrypb.ListFittingsRequest{Parent: c.unitName("-")}, []int{-20, -8, -5, -3}},
		"on a host":                    {&registrypb.ListFittingsRequest{Parent: c.unitName("-"), Filter: `host = "` + set.GetName() + `"`}, []int{-20, -8, -3}},
		"not on a host":                {&registrypb.ListFittingsRequest{Parent: c.unitName("-"), Filter: `NOT host = "` + set.GetName() + `"`}, []int{-5}},
		"in force as one begins":       {&registrypb.ListFittingsRequest{Parent: c.unitName("-"), AsOfTime: at(d(-5))}, []int{-8, -5}},
		"in force as it ends":          {&registrypb.ListFittingsRequest{Parent: c.unitName("-"), AsOfTime: at(d(-4))}, []int{-8}},
		"of a part, in force now":      {&registrypb.ListFittingsRequest{Parent: body.GetName(), AsOfTime: at(now)}, []int{-3}},
		"of a part, before everything": {&registrypb.ListFittingsRequest{Parent: body.GetName(), AsOfTime: at(d(-30))}, nil},
	} {
		if got := list(give.req); !equal(got, give.want) {
			t.Errorf("%s: got %v, want %v", name, got, give.want)
		}
	}
}

func equal[T comparable](a, b []T) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// head returns the number of the org's last change.
func head(t testing.TB, c *chain) int64 {
	t.Helper()
	resp, err := c.feed().ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: c.name(), Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	return resp.GetHead()
}

// readFeed returns all changes after a number, and checks that they are numbered without gaps up to the head.
func readFeed(t testing.TB, c *chain, after int64) (out []*feedpb.Change) {
	t.Helper()
	for {
		resp, err := c.feed().ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: c.name(), After: after})
		if err != nil {
			t.Fatal(err)
		}
		for _, ch := range resp.GetChanges() {
			if after++; ch.GetPosition() != after {
				t.Fatalf("change %d follows %d", ch.GetPosition(), after-1)
			}
			out = append(out, ch)
		}
		if after >= resp.GetHead() {
			return out
		}
	}
}
