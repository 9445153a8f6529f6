package registryrpc_test

import (
	"fmt"
	"runtime"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

type (
	header = registrypb.ImportRecordsRequest_Header
	rec    = registrypb.ImportRecordsRequest_Record
)

// bringIn imports records; rows are numbered from 2, as below a heading, unless they have numbers.
func (c *chain) bringIn(head *header, recs ...*rec) (*registrypb.ImportRecordsResponse, error) {
	c.t.Helper()
	stream, err := c.ImportRecords(c.t.Context())
	if err != nil {
		c.t.Fatal(err)
	}
	if head != nil {
		_ = stream.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Header_{Header: head}})
	}
	for i, r := range recs {
		if r.GetRow() == 0 {
			r.Row = int64(i + 2)
		}
		if err := stream.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Record_{Record: r}}); err != nil {
			break // the answer says why
		}
	}
	resp, err := stream.CloseAndRecv()
	for _, p := range resp.GetProblems() {
		saw(p.GetReason())
	}
	return resp, err
}

func (c *chain) real(recs ...*rec) *registrypb.ImportRecordsResponse {
	c.t.Helper()
	resp, err := c.bringIn(&header{Parent: c.name()}, recs...)
	if err != nil {
		c.t.Fatal(err)
	}
	return resp
}

func shopRec(s *registrypb.Shop) *rec {
	return &rec{Record: &registrypb.ImportRecordsRequest_Record_Shop{Shop: s}}
}
func modelRec(m *registrypb.Model) *rec {
	return &rec{Record: &registrypb.ImportRecordsRequest_Record_Model{Model: m}}
}
func unitRec(u *registrypb.Unit) *rec {
	return &rec{Record: &registrypb.ImportRecordsRequest_Record_Unit{Unit: u}}
}
func technicianRec(x *registrypb.Technician) *rec {
	return &rec{Record: &registrypb.ImportRecordsRequest_Record_Technician{Technician: x}}
}
func fittingRec(part, host string, from, to time.Time) *rec {
	f := &registrypb.FittingRecord{PartTag: part, HostTag: host, Place: "valve", FitTime: at(from)}
	if !to.IsZero() {
		f.UnfitTime = at(to)
	}
	return &rec{Record: &registrypb.ImportRecordsRequest_Record_Fitting{Fitting: f}}
}

// fleet is a small file of everything, in an order that a file may well have.
func (c *chain) fleet() []*rec {
	d := func(n int) time.Time { return now.AddDate(0, 0, n) }
	named := c.plainUnit("N-1", "tank", "quay")
	named.Name = c.unitName("0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79")
	return []*rec{
		fittingRec("F-1", "S-1", d(-30), d(-20)),
		fittingRec("F-1", "S-2", d(-20), time.Time{}),
		fittingRec("F-2", "S-1", d(-20), time.Time{}),
		unitRec(c.plainUnit("S-1", "set", "quay")),
		unitRec(c.plainUnit("S-2", "set", "quay")),
		unitRec(c.plainUnit("F-1", "first", "quay")),
		unitRec(c.plainUnit("F-2", "first", "quay")),
		unitRec(named),
		modelRec(&registrypb.Model{Name: c.model("tank"), DisplayName: "Tank", Kind: "cylinder", Attributes: map[string]string{"alloy": "6061-T6"}}),
		shopRec(&registrypb.Shop{Name: c.shop("quay"), DisplayName: "Quay", TimeZone: "Europe/Malta", Jurisdiction: "MT"}),
		technicianRec(&registrypb.Technician{Name: c.name() + "/technicians/ana", DisplayName: "Ana", Qualifications: []*registrypb.Technician_Qualification{{Activity: "overhaul", ValidFromDate: day(2024, 1, 1)}}}),
	}
}

func TestImportWritesAllOrNothing(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	before := head(t, c)
	check := func(name string, resp *registrypb.ImportRecordsResponse, created, unchanged int64, moved bool) {
		t.Helper()
		if resp.GetCreated() != created || resp.GetUnchanged() != unchanged || resp.GetProblemCount() != 0 || (resp.GetPosition() != nil) != moved {
			t.Errorf("%s: got %v", name, resp)
		}
	}
	dry, err := c.bringIn(&header{Parent: c.name(), ValidateOnly: true}, c.fleet()...)
	if err != nil {
		t.Fatal(err)
	}
	check("dry", dry, 11, 0, false)
	if h := head(t, c); h != before {
		t.Errorf("a dry run moved the head from %d to %d", before, h)
	}
	first := c.real(c.fleet()...)
	check("real", first, 11, 0, true)
	if first.GetPosition().GetRegistry() != before+11 {
		t.Errorf("position %d, want %d", first.GetPosition().GetRegistry(), before+11)
	}
	changes := readFeed(t, c, before)
	if len(changes) != 11 {
		t.Errorf("%d changes", len(changes))
	}
	for _, ch := range changes { // nothing comes before what it names
		if ch.GetFitting() != nil && ch.GetPosition() < before+9 {
			t.Errorf("a fitting stands at %d, before the units", ch.GetPosition())
		}
	}
	check("again", c.real(c.fleet()...), 0, 11, true)
	if h := head(t, c); h != before+11 {
		t.Errorf("importing again moved the head to %d", h)
	}
	// Life goes on, and the file can still be brought in: it says where a unit began, and a retired one is still that one.
	units := map[string]*registrypb.Unit{}
	list, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name()})
	if err != nil {
		t.Fatal(err)
	}
	for _, u := range list.GetUnits() {
		units[u.GetAssetTag()] = u
	}
	must(t)(c.TransferUnit(t.Context(), &registrypb.TransferUnitRequest{Name: units["S-1"].GetName(), DestinationShop: c.shop("lagoon")}))
	must(t)(c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: units["N-1"].GetName(), Reason: "sold"}))
	check("after a transfer and a retirement", c.real(c.fleet()...), 0, 11, true)
	// The tag of the retired unit may be used again, by a unit that differs.
	again := c.plainUnit("N-1", "tank", "quay")
	again.SerialNumber = "another"
	check("the tag again", c.real(unitRec(again)), 1, 0, true)
}

func TestImportFindsEveryProblem(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	c.real(c.fleet()...)
	before := head(t, c)
	d := func(n int) time.Time { return now.AddDate(0, 0, n) }
	edited := func(tag string, edit func(*registrypb.Unit)) *rec {
		u := c.plainUnit(tag, "vest", "quay")
		edit(u)
		return unitRec(u)
	}
	foreign := shopRec(&registrypb.Shop{Name: "orgs/other/shops/x", DisplayName: "X", TimeZone: "UTC", Jurisdiction: "PT"})
	give := []struct {
		rec    *rec
		reason string // "" for none
		field  string
	}{
		{unitRec(c.plainUnit("OK-1", "vest", "quay")), "", ""},
		{foreign, "ORG_MISMATCH", "shop.name"},
		{shopRec(&registrypb.Shop{Name: c.shop("bad"), DisplayName: "Bad", TimeZone: "Mars/Olympus", Jurisdiction: "PT"}), "INVALID_FIELD", "shop.time_zone"},
		{unitRec(c.plainUnit("OK-2", "vest", "bad")), "", ""}, // its shop is to blame, not it
		{shopRec(&registrypb.Shop{Name: c.shop("harbour"), DisplayName: "harbour", TimeZone: "Europe/Madrid", Jurisdiction: "PT"}), "ALREADY_EXISTS", "shop.time_zone"},
		{modelRec(&registrypb.Model{Name: c.model("kindless"), DisplayName: "X"}), "INVALID_FIELD", "model.kind"},
		{modelRec(&registrypb.Model{Name: c.model("twice"), DisplayName: "X", Kind: "bcd"}), "", ""},
		{modelRec(&registrypb.Model{Name: c.model("twice"), DisplayName: "X", Kind: "bcd"}), "ALREADY_EXISTS", "model.name"},
		{technicianRec(&registrypb.Technician{Name: c.name() + "/technicians/bo", DisplayName: "B\x00o"}), "INVALID_FIELD", "technician.display_name"},
		{edited("U-1", func(u *registrypb.Unit) { u.Model = c.model("unknown") }), "NOT_FOUND", "unit.model"},
		{edited("U-2", func(u *registrypb.Unit) { u.CommissionDate = day(2030, 1, 1) }), "IN_THE_FUTURE", "unit.commission_date"},
		{edited("U-3", func(u *registrypb.Unit) { u.CommissionDate = nil }), "INVALID_FIELD", "unit.commission_date"},
		{edited("OK-1", func(*registrypb.Unit) {}), "ASSET_TAG_TAKEN", "unit.asset_tag"},
		{edited("S-1", func(u *registrypb.Unit) { u.Model = c.model("set"); u.Size = "L" }), "ALREADY_EXISTS", "unit.size"},
		{edited("has space", func(*registrypb.Unit) {}), "INVALID_FIELD", "unit.asset_tag"},
		{edited("U-4", func(u *registrypb.Unit) { u.Name = c.unitName("0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79") }), "ALREADY_EXISTS", "unit.name"},
		{edited("U-5", func(u *registrypb.Unit) { u.Name = c.unitName("not-a-uuid") }), "INVALID_FIELD", "unit.name"},
		{edited("U-6", func(u *registrypb.Unit) { u.Shop = "orgs/other/shops/quay" }), "ORG_MISMATCH", "unit.shop"},
		{fittingRec("OK-1", "U-2", d(-1), time.Time{}), "", ""}, // U-2 is to blame
		{fittingRec("OK-1", "GONE", d(-1), time.Time{}), "NOT_FOUND", "fitting.host_tag"},
		{fittingRec("F-2", "S-2", d(-1), time.Time{}), "FITTING_OVERLAP", "fitting.part_tag"},
		{fittingRec("S-2", "F-1", d(-1), time.Time{}), "FITTING_CYCLE", "fitting.host_tag"},
		{fittingRec("OK-1", "S-1", d(1), time.Time{}), "IN_THE_FUTURE", "fitting.fit_time"},
		{fittingRec("OK-1", "S-1", d(-1), d(-2)), "INVALID_FIELD", "fitting.unfit_time"},
		{fittingRec("OK-1", "S-1", time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC), time.Time{}), "BEFORE_COMMISSIONING", "fitting.fit_time"},
		{fittingRec("OK-1", "S-1", d(-9), d(-8)), "", ""},
		{fittingRec("OK-1", "S-1", d(-9), d(-8)), "ALREADY_EXISTS", "fitting.part_tag"},
		{fittingRec("OK-1", "S-2", d(-9).Add(time.Hour), time.Time{}), "FITTING_OVERLAP", "fitting.part_tag"}, // with the row before
		{fittingRec("F-1", "S-1", d(-30), d(-19)), "ALREADY_EXISTS", "fitting.unfit_time"},
		{&rec{}, "INVALID_FIELD", "record"},
	}
	var recs []*rec
	want := map[int64]string{}
	for i, g := range give {
		g.rec.Row = int64(100 + i)
		recs = append(recs, g.rec)
		if g.reason != "" {
			want[g.rec.GetRow()] = g.reason + " " + g.field
		}
	}
	for _, dry := range []bool{true, false} {
		resp, err := c.bringIn(&header{Parent: c.name(), ValidateOnly: dry, RequestId: newID()}, recs...)
		if err != nil {
			t.Fatal(err)
		}
		got := map[int64]string{}
		last := int64(0)
		for _, p := range resp.GetProblems() {
			got[p.GetRow()] = p.GetReason() + " " + p.GetField()
			if p.GetRow() < last {
				t.Errorf("row %d stands after row %d", p.GetRow(), last)
			}
			if last = p.GetRow(); p.GetDescription() == "" {
				t.Errorf("row %d: no description", p.GetRow())
			}
		}
		for i := range give {
			if row := int64(100 + i); got[row] != want[row] {
				t.Errorf("row %d: got %q, want %q", row, got[row], want[row])
			}
		}
		if int(resp.GetProblemCount()) != len(resp.GetProblems()) || resp.GetPosition() != nil {
			t.Errorf("got %d problems listed, %d counted, position %v", len(resp.GetProblems()), resp.GetProblemCount(), resp.GetPosition())
		}
		if h := head(t, c); h != before {
			t.Errorf("a refused import moved the head from %d to %d", before, h)
		}
	}
	list, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), Filter: `asset_tag = "OK-1"`})
	if err != nil || len(list.GetUnits()) != 0 {
		t.Errorf("a refused import left %v, %v", list.GetUnits(), err)
	}
}

func TestImportListsAThousandProblemsAndCountsAll(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	var recs []*rec
	for _, tag := range ids("U", 2500) {
		u := c.plainUnit(tag, "vest", "harbour")
		u.CommissionDate = day(2031, 1, 1)
		recs = append(recs, unitRec(u))
	}
	resp := c.real(recs...)
	if len(resp.GetProblems()) != 1000 || resp.GetProblemCount() != 2500 || resp.GetProblems()[0].GetRow() != 2 || resp.GetProblems()[0].GetValue() != "2031-01-01" {
		t.Errorf("%d listed, %d counted, first %v", len(resp.GetProblems()), resp.GetProblemCount(), resp.GetProblems()[0])
	}
}

func TestImportIsRepeatable(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	id := newID()
	first, err := c.bringIn(&header{Parent: c.name(), RequestId: id}, c.fleet()...)
	if err != nil {
		t.Fatal(err)
	}
	again, err := c.bringIn(&header{Parent: c.name(), RequestId: id}, c.fleet()...)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("got %v, %v, want the first answer", again, err)
	}
	_, err = c.bringIn(&header{Parent: c.name(), RequestId: id}, c.fleet()[1:]...)
	wantRefused(t, err, codes.InvalidArgument, "REQUEST_ID_REUSED")
}

func TestImportStreams(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	before := head(t, c)
	_, err := c.bringIn(nil)
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "header")
	_, err = c.bringIn(nil, unitRec(c.plainUnit("U-1", "vest", "harbour")))
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "header")
	_, err = c.bringIn(&header{Parent: "orgs/other"})
	wantRefused(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	_, err = c.bringIn(&header{Parent: c.name(), RequestId: "x"})
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "header.request_id")
	if resp, err := c.bringIn(&header{Parent: c.name()}); err != nil || resp.GetPosition().GetRegistry() != before {
		t.Errorf("an empty import: got %v, %v", resp, err)
	}
	stream, err := c.ImportRecords(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		_ = stream.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Header_{Header: &header{Parent: c.name()}}})
	}
	_, err = stream.CloseAndRecv()
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "record")
	long := c.plainUnit("U-1", "vest", "harbour")
	long.Attributes = map[string]string{}
	for i := range 40 {
		long.Attributes[fmt.Sprintf("a%d", i)] = strings.Repeat("x", 120)
	}
	var many []*rec
	for range 2000 { // some 10 MB; this server takes 8 MiB
		many = append(many, unitRec(long))
	}
	_, err = c.bringIn(&header{Parent: c.name()}, many...)
	wantRefused(t, err, codes.ResourceExhausted, "RESOURCE_EXHAUSTED")
	if h := head(t, c); h != before {
		t.Errorf("the head moved from %d to %d", before, h)
	}
}

func TestImportOfAFleetIsFast(t *testing.T) {
	if testing.Short() {
		t.Skip("7,500 records take some seconds")
	}
	c := newRig(t).found("reef")
	const sets = 2500
	var recs []*rec
	for i := range sets {
		recs = append(recs,
			unitRec(c.plainUnit(fmt.Sprintf("S-%d", i), "set", "harbour")),
			unitRec(c.plainUnit(fmt.Sprintf("F-%d", i), "first", "harbour")),
			fittingRec(fmt.Sprintf("F-%d", i), fmt.Sprintf("S-%d", i), now.AddDate(0, 0, -30), time.Time{}))
	}
	runtime.GC()
	started := time.Now()
	resp := c.real(recs...)
	took := time.Since(started)
	if resp.GetCreated() != 3*sets || resp.GetProblemCount() != 0 {
		t.Fatalf("got %v", resp)
	}
	started = time.Now()
	again := c.real(recs...)
	t.Logf("5,000 units and 2,500 fittings: %v; again, unchanged: %v", took, time.Since(started))
	if again.GetUnchanged() != 3*sets {
		t.Fatalf("got %v", again)
	}
	if took > 20*time.Second { // generous: the machine may be busy; it is near one second on an idle one
		t.Errorf("took %v", took)
	}
}
