package compliancerpc

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// sized registers a unit of a size, and the model if it is the first.
func (r *rig) sized(kind, size, tag, shop string) string {
	model := r.org + "/models/" + kind + "-" + size
	r.register(&feedpb.Change{Resource: &feedpb.Change_Model{Model: &registrypb.Model{Name: model, Kind: kind, Size: size}}})
	u := &registrypb.Unit{
		Name: r.org + "/units/" + uuid.NewString(), AssetTag: tag, Model: model, Kind: kind, Shop: r.org + "/shops/" + shop,
		CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1}, State: registrypb.Unit_STATE_ACTIVE,
		Placements: []*registrypb.Placement{{Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(now.AddDate(0, -5, 0))}},
	}
	r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	return u.GetName()
}

func (r *rig) hold(unit string) {
	r.t.Helper()
	resp, err := r.compliance.PlaceHold(r.t.Context(), &compliancepb.PlaceHoldRequest{Parent: unit, Hold: &compliancepb.Hold{Reason: "the inflator sticks", Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}}})
	if err != nil {
		r.t.Fatal(err)
	}
	r.position.Compliance = resp.GetPosition().GetCompliance()
}

// promised allocates one unit by name.
func (r *rig) promised(unit, kind, shop string, from, to time.Time, dives int64) {
	r.t.Helper()
	resp, err := r.availability.AllocateUnits(r.t.Context(), &compliancepb.AllocateUnitsRequest{
		Parent: r.org, Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), ExpectedDives: dives, Confirm: true,
		Outfits: []*compliancepb.Outfit{{Items: []*compliancepb.Outfit_Item{{Kind: kind, Unit: unit}}}},
	})
	if err != nil {
		r.t.Fatal(err)
	}
	r.position.Compliance = resp.GetPosition().GetCompliance()
}

func (r *rig) outfits(req *compliancepb.SearchOutfitsRequest) *compliancepb.SearchOutfitsResponse {
	r.t.Helper()
	req.Parent, req.AtLeast = r.org, r.position
	resp, err := r.availability.SearchOutfits(r.t.Context(), req)
	if err != nil {
		r.t.Fatal(err)
	}
	return resp
}

func piece(kind, size string) *compliancepb.Outfit_Item {
	return &compliancepb.Outfit_Item{Kind: kind, Size: size}
}

func outfitOf(items ...*compliancepb.Outfit_Item) *compliancepb.Outfit {
	return &compliancepb.Outfit{Items: items}
}

// TestSearchOutfits is worked out by hand, on a weekend from Saturday morning to Sunday evening: two days of four dives.
func TestSearchOutfits(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.publish("house", housePack)
	r.catalogue("regulator-set", "bcd")
	sets := []string{r.unit("regulator-set", "R-1", "north"), r.unit("regulator-set", "R-2", "north"), r.unit("regulator-set", "R-3", "north")}
	r.record(sets[1], now.AddDate(0, -1, 0), dives(95)) // five left, and eight are expected
	r.record(sets[2], now.AddDate(0, -1, 0), dives(90)) // ten
	medium, large, held := r.sized("bcd", "M", "B-1", "north"), r.sized("bcd", "L", "B-2", "north"), r.sized("bcd", "M", "B-3", "north")
	south := r.sized("bcd", "M", "S-1", "south")
	r.hold(held)
	from, to := time.Date(2026, 6, 6, 8, 0, 0, 0, time.UTC), time.Date(2026, 6, 7, 17, 0, 0, 0, time.UTC)
	ask := func(outfits ...*compliancepb.Outfit) *compliancepb.SearchOutfitsRequest {
		return &compliancepb.SearchOutfitsRequest{
			Shop: r.org + "/shops/north", StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), Outfits: outfits, DivesPerDay: 4, Alternatives: true,
		}
	}
	type count = compliancepb.OutfitAvailability_ReasonCount
	type line = compliancepb.OutfitAvailability_Item

	// The set with ten dives left is taken before the new one; the M goes to whoever wants an M.
	got := r.outfits(ask(outfitOf(piece("regulator-set", ""), piece("bcd", "")), outfitOf(piece("regulator-set", ""), piece("bcd", "M"))))
	want := []*compliancepb.OutfitAvailability{{
		ExpectedDives: 8, Shop: r.org + "/shops/north", Available: true, OutfitCount: 2,
		Units: []string{sets[2], large, sets[0], medium}, AssetTags: []string{"R-3", "B-2", "R-1", "B-1"},
		Items: []*line{
			{Kind: "regulator-set", WantedCount: 2, AvailableCount: 2, Reasons: []*count{{Reason: "USAGE_LEFT_TOO_LITTLE", Count: 1}}},
			{Kind: "bcd", WantedCount: 1, AvailableCount: 2, Reasons: []*count{{Reason: "HOLD_OPEN", Count: 1}}},
			{Kind: "bcd", Size: "M", WantedCount: 1, AvailableCount: 1, Reasons: []*count{{Reason: "HOLD_OPEN", Count: 1}}},
		},
	}}
	if d := cmp.Diff(want, got.GetShops(), protocmp.Transform()); d != "" || len(got.GetAlternatives()) > 0 {
		t.Errorf("two outfits: %s, %v", d, got.GetAlternatives())
	}

	// Three alike: there is one M, another is held.
	three := outfitOf(piece("regulator-set", ""), piece("bcd", "M"))
	three.Count = 3
	got = r.outfits(ask(three))
	want = []*compliancepb.OutfitAvailability{{
		ExpectedDives: 8, Shop: r.org + "/shops/north", OutfitCount: 1,
		Items: []*line{
			{Kind: "regulator-set", WantedCount: 3, AvailableCount: 2, Reasons: []*count{{Reason: "USAGE_LEFT_TOO_LITTLE", Count: 1}}},
			{
				Kind: "bcd", Size: "M", WantedCount: 3, AvailableCount: 1, Reasons: []*count{{Reason: "HOLD_OPEN", Count: 1}},
				OtherSizes: []*compliancepb.OutfitAvailability_SizeCount{{Size: "L", Count: 1}},
			},
		},
	}}
	if d := cmp.Diff(want, got.GetShops(), protocmp.Transform()); d != "" || len(got.GetAlternatives()) > 0 {
		t.Errorf("three outfits: %s, %v", d, got.GetAlternatives())
	}

	// By name: what is elsewhere, what is held.
	named := piece("bcd", "")
	named.Unit = south
	heldItem := piece("bcd", "M")
	heldItem.Unit = held
	got = r.outfits(ask(outfitOf(named, heldItem)))
	if d := cmp.Diff([]*line{
		{Kind: "bcd", Unit: south, WantedCount: 1, Reasons: []*count{{Reason: "OTHER_SHOP", Count: 1}}},
		{Kind: "bcd", Size: "M", Unit: held, WantedCount: 1, Reasons: []*count{{Reason: "HOLD_OPEN", Count: 1}}},
	}, got.GetShops()[0].GetItems(), protocmp.Transform()); d != "" || got.GetShops()[0].GetAvailable() {
		t.Errorf("by name: %s", d)
	}

	// What has left the fleet says so.
	retired := r.unit("bcd", "B-9", "north")
	r.unitAs(retired, "bcd", "B-9", "north", func(u *registrypb.Unit) {
		u.State, u.RetireTime = registrypb.Unit_STATE_RETIRED, timestamppb.New(now.Add(-time.Hour))
	})
	r.standing(retired)
	named.Unit = retired
	got = r.outfits(ask(outfitOf(named)))
	if d := cmp.Diff([]*line{{Kind: "bcd", Unit: retired, WantedCount: 1, Reasons: []*count{{Reason: "RETIRED", Count: 1}}}}, got.GetShops()[0].GetItems(), protocmp.Transform()); d != "" {
		t.Errorf("retired: %s", d)
	}

	// Any shop: those that have everything come first. In Auckland the window touches three days.
	anywhere := ask(outfitOf(piece("bcd", "M")))
	anywhere.Shop = ""
	anywhere.Outfits[0].Count = 1
	got = r.outfits(anywhere)
	if len(got.GetShops()) != 2 || !got.GetShops()[0].GetAvailable() || !got.GetShops()[1].GetAvailable() || len(got.GetAlternatives()) > 0 {
		t.Errorf("any shop: %v", got)
	}

	// Once the M is promised for the weekend, it can be had again two days before and after; the shop in the south has one.
	r.promised(medium, "bcd", "north", from, to, 8)
	alternatives := func(want ...string) {
		t.Helper()
		got := r.outfits(ask(outfitOf(piece("bcd", "M"))))
		var sentences []string
		for _, a := range got.GetAlternatives() {
			sentences = append(sentences, a.GetSentence())
		}
		if s := got.GetShops()[0]; s.GetAvailable() || s.GetItems()[0].GetReasons()[0].GetReason() != "ALREADY_PROMISED" || !slices.Equal(sentences, want) {
			t.Errorf("%v, alternatives %q, want %q", s, sentences, want)
		}
	}
	windows := []string{
		"north has all of it 2 days earlier, from 2026-06-04 09:00 to 2026-06-05 18:00 by its clock.",
		"north has all of it 2 days later, from 2026-06-08 09:00 to 2026-06-09 18:00 by its clock.",
		"north has all of it 3 days earlier, from 2026-06-03 09:00 to 2026-06-04 18:00 by its clock.",
		"north has all of it 3 days later, from 2026-06-09 09:00 to 2026-06-10 18:00 by its clock.",
	}
	alternatives(append(slices.Clone(windows), "south has all of it for the window; nobody has said how long the way to north takes.")...)
	takes := func(d time.Duration) {
		t.Helper()
		if _, err := r.availability.SetTransferTime(t.Context(), r.way("south", "north", d)); err != nil {
			t.Fatal(err)
		}
	}
	takes(36*time.Hour + 30*time.Minute)
	arrives := "south has all of it for the window; the way to north takes 1 day 12 hours 30 minutes."
	alternatives(append([]string{arrives}, windows...)...)
	takes(from.Sub(now)) // it arrives just in time
	alternatives(append(slices.Clone(windows), "south has all of it for the window; the way to north takes 4 days 23 hours.")...)
	takes(from.Sub(now) + time.Minute)
	alternatives(windows...)
	takes(36 * time.Hour)
	r.promised(south, "bcd", "south", from.Add(-35*time.Hour), from.Add(-34*time.Hour), 1) // when it should be on its way
	alternatives(windows...)
}

// TestSearchOutfitsRefused sees that each bad field is named.
func TestSearchOutfitsRefused(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.catalogue("bcd")
	bcd := r.unit("bcd", "B-1", "north")
	r.unit("bcd", "B-2", "north")
	r.standing(bcd)
	good := func() *compliancepb.SearchOutfitsRequest {
		return &compliancepb.SearchOutfitsRequest{
			Parent: r.org, Shop: r.org + "/shops/north", StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.Add(time.Hour)),
			Outfits: []*compliancepb.Outfit{outfitOf(piece("bcd", ""))}, AtLeast: r.position,
		}
	}
	if _, err := r.availability.SearchOutfits(t.Context(), good()); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		bad    func(*compliancepb.SearchOutfitsRequest)
		code   codes.Code
		reason string
		field  string
	}{
		{func(q *compliancepb.SearchOutfitsRequest) { q.EndTime = q.GetStartTime() }, codes.InvalidArgument, "INVALID_FIELD", "end_time"},
		{func(q *compliancepb.SearchOutfitsRequest) {
			q.EndTime = timestamppb.New(now.Add(366*24*time.Hour + time.Second))
		}, codes.InvalidArgument, "INVALID_FIELD", "end_time"},
		{func(q *compliancepb.SearchOutfitsRequest) { q.Outfits[0].Count, q.Outfits[0].Items[0].Count = 100, 11 }, codes.InvalidArgument, "INVALID_FIELD", "outfits"},
		{func(q *compliancepb.SearchOutfitsRequest) { q.Outfits[0].Items[0].Unit, q.Outfits[0].Count = bcd, 2 }, codes.InvalidArgument, "INVALID_FIELD", "outfits[0].items[0].unit"},
		{func(q *compliancepb.SearchOutfitsRequest) {
			q.Outfits[0].Items[0].Unit, q.Outfits[0].Items[0].Size = bcd, "XS"
		}, codes.InvalidArgument, "INVALID_FIELD", "outfits.items.unit"},
		{func(q *compliancepb.SearchOutfitsRequest) { q.Shop = r.org + "/shops/nowhere" }, codes.NotFound, "NOT_FOUND", ""},
		{func(q *compliancepb.SearchOutfitsRequest) {
			q.Outfits[0].Items[0].Unit = r.org + "/units/" + uuid.NewString()
		}, codes.NotFound, "NOT_FOUND", ""},
		{func(q *compliancepb.SearchOutfitsRequest) { q.DivesPerDay = 101 }, codes.InvalidArgument, "INVALID_FIELD", "dives_per_day"},
		{func(q *compliancepb.SearchOutfitsRequest) { q.Outfits = nil }, codes.InvalidArgument, "INVALID_FIELD", "outfits"},
	} {
		req := good()
		c.bad(req)
		_, err := r.availability.SearchOutfits(t.Context(), req)
		if m := wantReason(t, err, c.code, c.reason); m["field"] != c.field {
			t.Errorf("%v: %v, want the field %s", req, m, c.field)
		}
	}
}

// manyPromises makes a fleet at three shops, much of which is used up, held, or promised within the next ten days.
func (r *rig) manyPromises(rng *rand.Rand) {
	r.t.Helper()
	r.publish("house", housePack)
	r.catalogue("regulator-set")
	r.shop("east", "America/New_York")
	shops, sizes := []string{"north", "south", "east"}, []string{"M", "L"}
	type made struct{ name, kind, shop string }
	var units []made
	for n := range 24 {
		shop := shops[rng.IntN(3)]
		if rng.IntN(2) == 0 {
			u := made{r.unit("regulator-set", fmt.Sprintf("R-%d", n), shop), "regulator-set", shop}
			if used := rng.IntN(130); used > 40 {
				r.record(u.name, now.AddDate(0, -1, 0), dives(int64(used)))
			}
			units = append(units, u)
		} else {
			units = append(units, made{r.sized("bcd", sizes[rng.IntN(2)], fmt.Sprintf("B-%d", n), shop), "bcd", shop})
		}
	}
	r.standing(units[0].name)
	hour := func(n int) time.Time { return now.Add(time.Duration(n) * time.Hour) }
	promised := 0
	for _, u := range units {
		switch rng.IntN(6) {
		case 0:
			r.hold(u.name)
		case 1, 2, 3:
			start := rng.IntN(10 * 24)
			_, err := r.availability.AllocateUnits(r.t.Context(), &compliancepb.AllocateUnitsRequest{
				Parent: r.org, Shop: r.org + "/shops/" + u.shop, StartTime: timestamppb.New(hour(start)), EndTime: timestamppb.New(hour(start + 1 + rng.IntN(72))),
				ExpectedDives: int64(rng.IntN(5)), Confirm: true, Outfits: []*compliancepb.Outfit{outfitOf(&compliancepb.Outfit_Item{Kind: u.kind, Unit: u.name})},
			})
			if err == nil { // otherwise its dives are used up
				promised++
			}
		}
	}
	if promised < 5 {
		r.t.Fatalf("only %d units are promised", promised)
	}
}

// TestSearchOutfitsAgainstUnits compares outfits with what SearchAvailability says of every unit: counts, reasons and, trying every assignment, what
// can be had together; and the alternatives with the same question asked of each window and shop.
func TestSearchOutfitsAgainstUnits(t *testing.T) {
	inTurn(t)
	t.Parallel()
	r := newRig(t)
	rng := rand.New(rand.NewPCG(3, 2026))
	r.manyPromises(rng)
	shops := []string{"north", "south", "east"}
	hour := func(n int) time.Time { return now.Add(time.Duration(n) * time.Hour) }
	ways := map[[2]string]time.Duration{}
	for _, w := range [][2]string{{"north", "east"}, {"east", "south"}, {"south", "north"}} {
		ways[w] = time.Duration(1+rng.IntN(100)) * time.Hour
		if _, err := r.availability.SetTransferTime(t.Context(), r.way(w[0], w[1], ways[w])); err != nil {
			t.Fatal(err)
		}
	}
	asked, had, others, elsewhere := 0, 0, 0, 0
	for range 60 {
		start := rng.IntN(10 * 24)
		from, to := hour(start), hour(start+4+rng.IntN(60))
		perDay := int64(rng.IntN(4))
		var outfits []*compliancepb.Outfit
		for range 1 + rng.IntN(2) {
			o := outfitOf(piece([]string{"regulator-set", "bcd"}[rng.IntN(2)], ""))
			if o.GetItems()[0].GetKind() == "bcd" {
				o.Items[0].Size = []string{"", "M", "L"}[rng.IntN(3)]
			}
			if rng.IntN(2) == 0 {
				o.Items = append(o.Items, piece("bcd", []string{"", "M", "L"}[rng.IntN(3)]))
			}
			o.Count = int32(rng.IntN(3))
			outfits = append(outfits, o)
		}
		shop := shops[rng.IntN(3)]
		req := &compliancepb.SearchOutfitsRequest{Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), Outfits: outfits, DivesPerDay: perDay, Alternatives: true}
		got := r.outfits(req)
		answer := got.GetShops()[0]
		asked++
		if answer.GetAvailable() {
			had++
		}
		checkOutfits(t, r, shop, zoneFor(shop), req, answer)
		if answer.GetAvailable() {
			if len(got.GetAlternatives()) > 0 {
				t.Errorf("alternatives to what can be had: %v", got)
			}
			continue
		}
		// Every other window, asked for by itself.
		var windows []string
		zone, _ := time.LoadLocation(zoneFor(shop))
		for n := 1; n <= 14; n++ {
			for _, by := range []int{-n, n} {
				a, z := from.In(zone).AddDate(0, 0, by), to.In(zone).AddDate(0, 0, by) // no clocks are changed here in June
				if a.Before(now) || len(windows) == 4 {
					continue
				}
				plain := &compliancepb.SearchOutfitsRequest{Shop: req.GetShop(), StartTime: timestamppb.New(a), EndTime: timestamppb.New(z), Outfits: outfits, DivesPerDay: perDay}
				if r.outfits(plain).GetShops()[0].GetAvailable() {
					windows = append(windows, a.UTC().String()+z.UTC().String())
				}
			}
		}
		var told []string
		byShop := map[string]*compliancepb.Alternative{}
		for _, a := range got.GetAlternatives() {
			if a.GetShop() == req.GetShop() {
				told = append(told, a.GetStartTime().AsTime().String()+a.GetEndTime().AsTime().String())
			} else {
				byShop[a.GetShop()] = a
			}
		}
		if !slices.Equal(told, windows) {
			t.Errorf("%v: other windows %v, want %v", req, told, windows)
		}
		others += len(told) + len(byShop)
		// Every other shop, from when its units would set out.
		var wants []*compliancepb.Outfit_Item
		for _, o := range outfits {
			for range max(o.GetCount(), 1) {
				wants = append(wants, o.GetItems()...)
			}
		}
		for _, other := range shops {
			if other == shop {
				continue
			}
			takes := ways[[2]string{other, shop}]
			could := !from.Add(-takes).Before(now) && assignable(wants, saidOf(t, r, other, from.Add(-takes), to, perDay*daysOf(t, zoneFor(shop), req)), map[string]bool{})
			if a := byShop[r.org+"/shops/"+other]; (a != nil) != could || a != nil && (a.GetTransferTime().AsDuration() != takes || (a.GetTransferTime() != nil) != (takes > 0)) {
				t.Errorf("%v: %s could: %v, and %v is told", req, other, could, a)
			}
			if could {
				elsewhere++
			}
		}
	}
	if had < 10 || asked-had < 10 || others < 20 || elsewhere < 5 {
		t.Errorf("of %d questions %d could be had, and there were %d alternatives, %d at other shops: nothing much was tried", asked, had, others, elsewhere)
	}
}

func zoneFor(shop string) string {
	return map[string]string{"north": "Europe/London", "south": "Pacific/Auckland", "east": "America/New_York"}[shop]
}

// checkOutfits compares the answer of one shop with what is said of each unit.
func checkOutfits(t *testing.T, r *rig, shop, zone string, req *compliancepb.SearchOutfitsRequest, got *compliancepb.OutfitAvailability) {
	t.Helper()
	said := saidOf(t, r, shop, req.GetStartTime().AsTime(), req.GetEndTime().AsTime(), req.GetDivesPerDay()*daysOf(t, zone, req))
	would := func(kind, size string, u *compliancepb.UnitAvailability) bool {
		return u.GetKind() == kind && (size == "" || u.GetSize() == size)
	}
	for _, line := range got.GetItems() {
		available, reasons, wanted := int64(0), map[string]int64{}, int64(0)
		for _, u := range said[line.GetKind()] {
			if !would(line.GetKind(), line.GetSize(), u) {
				continue
			}
			if u.GetAvailable() {
				available++
			}
			seen := map[string]bool{}
			for _, reason := range u.GetReasons() {
				code := reason.GetCode().String()[len("REASON_"):]
				if !seen[code] {
					seen[code] = true
					reasons[code]++
				}
			}
		}
		for _, o := range req.GetOutfits() {
			for _, i := range o.GetItems() {
				if i.GetKind() == line.GetKind() && i.GetSize() == line.GetSize() {
					wanted += int64(max(o.GetCount(), 1)) * int64(max(i.GetCount(), 1))
				}
			}
		}
		told := map[string]int64{}
		for _, c := range line.GetReasons() {
			told[c.GetReason()] = c.GetCount()
		}
		if d := cmp.Diff(reasons, told); line.GetAvailableCount() != available || line.GetWantedCount() != wanted || d != "" {
			t.Errorf("%v: %v, available %d, wanted %d, reasons %s", req, line, available, wanted, d)
		}
	}
	// Outfits one after the other, each with all that could be had before, by every assignment.
	var wants []*compliancepb.Outfit_Item
	count, all := int64(0), true
	for _, o := range req.GetOutfits() {
		for range max(o.GetCount(), 1) {
			with := append(slices.Clone(wants), o.GetItems()...)
			if assignable(with, said, map[string]bool{}) {
				wants = with
				count++
			} else {
				all = false
			}
		}
	}
	if got.GetOutfitCount() != count || got.GetAvailable() != all || all != (len(got.GetUnits()) > 0) {
		t.Errorf("%v: %v, want %d outfits, all: %v", req, got, count, all)
	}
	taken := map[string]bool{}
	for i, name := range got.GetUnits() {
		w := wants[i]
		if taken[name] || !slices.ContainsFunc(said[w.GetKind()], func(u *compliancepb.UnitAvailability) bool {
			return u.GetUnit() == name && u.GetAvailable() && would(w.GetKind(), w.GetSize(), u)
		}) {
			t.Errorf("%v: %s for %v", req, name, w)
		}
		taken[name] = true
	}
}

// daysOf counts the days of a zone that a question's window touches.
func daysOf(t *testing.T, zone string, req *compliancepb.SearchOutfitsRequest) (days int64) {
	t.Helper()
	loc, err := time.LoadLocation(zone)
	if err != nil {
		t.Fatal(err)
	}
	for day, last := req.GetStartTime().AsTime().In(loc), req.GetEndTime().AsTime().Add(-1).In(loc); day.Format(time.DateOnly) <= last.Format(time.DateOnly); day = day.AddDate(0, 0, 1) {
		days++
	}
	return days
}

// saidOf returns what is said of each unit of a shop, by kind.
func saidOf(t *testing.T, r *rig, shop string, from, to time.Time, dives int64) map[string][]*compliancepb.UnitAvailability {
	t.Helper()
	said := map[string][]*compliancepb.UnitAvailability{}
	for _, kind := range []string{"regulator-set", "bcd"} {
		resp, err := r.availability.SearchAvailability(t.Context(), &compliancepb.SearchAvailabilityRequest{
			Parent: r.org, Kind: kind, Shop: r.org + "/shops/" + shop, StartTime: timestamppb.New(from), EndTime: timestamppb.New(to), ExpectedDives: dives, PageSize: 1000,
		})
		if err != nil {
			t.Fatal(err)
		}
		said[kind] = resp.GetUnits()
	}
	return said
}

func assignable(wants []*compliancepb.Outfit_Item, said map[string][]*compliancepb.UnitAvailability, taken map[string]bool) bool {
	if len(wants) == 0 {
		return true
	}
	for _, u := range said[wants[0].GetKind()] {
		if u.GetAvailable() && !taken[u.GetUnit()] && (wants[0].GetSize() == "" || wants[0].GetSize() == u.GetSize()) {
			taken[u.GetUnit()] = true
			if assignable(wants[1:], said, taken) {
				delete(taken, u.GetUnit())
				return true
			}
			delete(taken, u.GetUnit())
		}
	}
	return false
}
