package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// The steps of the demo's Saturday, in their order.

// outfits asks a shop for outfits, and tells what it has.
func (r *saturdayRun) outfits(ctx context.Context, shop string, from, to *timestamppb.Timestamp, outfits []*compliancepb.Outfit) (*compliancepb.SearchOutfitsResponse, error) {
	s, err := r.c.Availability.SearchOutfits(ctx, &compliancepb.SearchOutfitsRequest{
		Parent: r.c.Org.Name(), Shop: r.c.shop(shop), StartTime: from, EndTime: to, Outfits: outfits, DivesPerDay: 2, Alternatives: true, AtLeast: r.reached,
	})
	if err != nil {
		return nil, err
	}
	wanted := int64(0)
	for _, o := range outfits {
		wanted += int64(max(o.GetCount(), 1))
	}
	for _, a := range s.GetShops() {
		if a.GetAvailable() {
			r.say("%s can promise all of it: %s, %s.", lastID(a.GetShop()), plural(wanted, "outfit"), plural(int64(len(a.GetUnits())), "unit"))
			continue
		}
		r.say("%s has %d of %s.", lastID(a.GetShop()), a.GetOutfitCount(), plural(wanted, "outfit"))
		for _, item := range a.GetItems() {
			if item.GetAvailableCount() >= item.GetWantedCount() {
				continue
			}
			text := fmt.Sprintf("%d of %d %s", item.GetAvailableCount(), item.GetWantedCount(), kindWords(item.GetKind()))
			if item.GetSize() != "" {
				text += " in " + item.GetSize()
			}
			if why := reasonCounts(item.GetReasons()); why != "" {
				text += "; of the others: " + why
			}
			if other := sizeCounts(item.GetOtherSizes()); other != "" {
				text += "; other sizes: " + other
			}
			r.more("%s.", text)
		}
	}
	return s, nil
}

func (r *saturdayRun) search(ctx context.Context) error {
	from, to := r.window(0, 0, 8)
	r.head("A club of twelve asks at %s: a set, a jacket in M and a cylinder each, 2 dives", saturdayShop)
	if _, err := r.outfits(ctx, saturdayShop, from, to, []*compliancepb.Outfit{{Count: 12, Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd", Size: "M"}, {Kind: "cylinder"}}}}); err != nil {
		return err
	}
	r.head("In the sizes that they wear: 5 M, 3 L, 3 S, 1 XL")
	s, err := r.outfits(ctx, saturdayShop, from, to, clubOutfits())
	if err != nil || len(s.GetShops()) == 1 && s.GetShops()[0].GetAvailable() {
		return err
	}
	_, last, err := r.c.available(ctx, &compliancepb.SearchAvailabilityRequest{
		Parent: r.c.Org.Name(), Kind: "regulator-set", Shop: r.c.shop(saturdayShop), StartTime: from, EndTime: to, ExpectedDives: 2, Explain: true, AtLeast: r.reached,
	})
	if err != nil {
		return err
	}
	for _, g := range last.GetGains() {
		r.say("%d more with this alone: %s (%s).", g.GetCount(), strings.TrimSuffix(g.GetTitle(), "."), strings.Join(g.GetAssetTags(), ", "))
	}
	for _, tag := range saturdayReady {
		if err := r.serviceHeld(ctx, tag); err != nil {
			return err
		}
	}
	r.say("The bench records what it did last night on %s. Asked again:", strings.Join(saturdayReady, ", "))
	s, err = r.outfits(ctx, saturdayShop, from, to, clubOutfits())
	if err == nil && (len(s.GetShops()) != 1 || !s.GetShops()[0].GetAvailable()) {
		err = fmt.Errorf("%s was to have all of it", saturdayShop)
	}
	return err
}

// allocate promises units.
func (r *saturdayRun) allocate(ctx context.Context, ref, shop string, from, to *timestamppb.Timestamp, dives int64, group string, outfits ...*compliancepb.Outfit) ([]*compliancepb.Allocation, error) {
	out, err := r.c.Availability.AllocateUnits(ctx, &compliancepb.AllocateUnitsRequest{
		Parent: r.c.Org.Name(), Shop: r.c.shop(shop), StartTime: from, EndTime: to, Outfits: outfits, ExpectedDives: dives, Confirm: true, Group: group, Reference: r.ref(ref), RequestId: r.id("allocate", ref, group),
	})
	if err != nil {
		return nil, err
	}
	r.saw(out.GetPosition())
	return out.GetAllocations(), nil
}

func (r *saturdayRun) promise(ctx context.Context) error {
	r.head("All or nothing")
	from, to := r.window(0, 0, 8)
	_, err := r.allocate(ctx, "too many", saturdayShop, from, to, 2, "", append(clubOutfits(), &compliancepb.Outfit{Count: 2, Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}}})...)
	if status.Code(err) != codes.FailedPrecondition {
		return fmt.Errorf("fourteen sets were to be refused: %w", err)
	}
	all, _, _ := refusals(err)
	r.say("With two more sets: refused, and nothing is promised.")
	for _, f := range all {
		r.more("%s.", strings.TrimSuffix(f.Text, "."))
	}
	club, err := r.allocate(ctx, "club", saturdayShop, from, to, 2, "", clubOutfits()...)
	if err != nil {
		return err
	}
	r.say("For the twelve: %s promised, %d whole outfits.", plural(int64(len(club)), "unit"), club[len(club)-1].GetOutfit())
	if slices.ContainsFunc(club, func(f *compliancepb.Allocation) bool { return f.GetAssetTag() == saturdayLeast }) {
		r.say("%s is among them, which has 2 dives left: what has least to waste goes first.", saturdayLeast)
	}
	from, to = r.window(saturdayWeek, 0, 8)
	next, err := r.allocate(ctx, "club next", saturdayShop, from, to, 2, "", clubOutfits()...)
	if err != nil {
		return err
	}
	r.say("They come again in %d days: %s promised for that, too.", saturdayWeek, plural(int64(len(next)), "unit"))
	return nil
}

func (r *saturdayRun) walkIn(ctx context.Context) error {
	r.head("Two walk in at %s, and want the same", saturdayShop)
	from, to := r.window(0, 0, 8)
	s, err := r.outfits(ctx, saturdayShop, from, to, []*compliancepb.Outfit{{Count: 2, Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd"}, {Kind: "cylinder"}}}})
	if err != nil {
		return err
	}
	here, elsewhere := 0, 0
	for _, a := range s.GetAlternatives() {
		n := &here
		if lastID(a.GetShop()) != saturdayShop {
			n = &elsewhere
		}
		if *n++; *n <= 2 {
			r.more("%s", a.GetSentence())
		}
	}
	return nil
}

func (r *saturdayRun) otherCounters(ctx context.Context) error {
	r.head("The other counters")
	from, to := r.window(0, 2, 7)
	boat, err := r.allocate(ctx, "boat", saturdayBoat, from, to, 2, "", &compliancepb.Outfit{Count: 3, Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd", Size: "M"}, {Kind: "cylinder"}}})
	if err != nil {
		return err
	}
	r.say("%s: %s for a boat with three this afternoon.", saturdayBoat, plural(int64(len(boat)), "unit"))
	jacket, err := r.c.unit(ctx, saturdayJacket)
	if err != nil {
		return err
	}
	from, to = r.window(0, 1, 32)
	trip, err := r.allocate(ctx, "trip", saturdayTrip, from, to, 4, "",
		&compliancepb.Outfit{Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd", Size: jacket.GetSize(), Unit: jacket.GetName()}, {Kind: "cylinder"}}},
		&compliancepb.Outfit{Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd", Size: "L"}, {Kind: "cylinder"}}})
	if err != nil {
		return err
	}
	_, to = r.window(0, 1, 56)
	longer, err := r.c.Availability.ExtendAllocations(ctx, &compliancepb.ExtendAllocationsRequest{
		Parent: r.c.Org.Name(), Allocations: setOf(trip), EndTime: to, ExpectedDives: proto.Int64(6), RequestId: r.id("extend"),
	})
	if err != nil {
		return err
	}
	r.saw(longer.GetPosition())
	r.say("%s: %s for two on a trip, one of whom wants %s again. They stay a day longer: extended, with 6 dives for 4.", saturdayTrip, plural(int64(len(trip)), "unit"), saturdayJacket)
	return nil
}

// booked reads the allocations of a booking.
func (r *saturdayRun) booked(ctx context.Context, ref string, states ...compliancepb.Allocation_State) ([]*compliancepb.Allocation, error) {
	all, err := r.c.listAllocations(ctx, &compliancepb.ListAllocationsRequest{States: states, AtLeast: r.reached}, 0)
	return slices.DeleteFunc(all, func(f *compliancepb.Allocation) bool { return f.GetReference() != r.ref(ref) }), err
}

// oneOf returns the first allocation of a kind and size, but for one unit.
func oneOf(all []*compliancepb.Allocation, kind, size, but string) (*compliancepb.Allocation, error) {
	for _, f := range all {
		if f.GetKind() == kind && f.GetSize() == size && f.GetAssetTag() != but {
			return f, nil
		}
	}
	return nil, fmt.Errorf("no %s %s is promised", kind, size)
}

// check has a set of the club fail its check before the dive.
func (r *saturdayRun) check(ctx context.Context) error {
	club, err := r.booked(ctx, "club", live...)
	if err != nil {
		return err
	}
	set, err := oneOf(club, "regulator-set", "", saturdayLeast)
	if err != nil {
		return err
	}
	r.head("At the counter, before the dive: %s free-flows when it is checked", set.GetAssetTag())
	out, err := r.c.History.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: r.c.Org.Name(), Entries: []*historypb.Entry{{
		Name: set.GetUnit() + "/entries/" + r.id("check", set.GetUnit()), OccurredTime: timestamppb.New(r.app.clk.Now()), Note: "free-flows at the check before the dive",
		Detail: &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: "free-flow", Severity: historypb.Condition_SEVERITY_PULL}},
	}}})
	if err != nil {
		return err
	}
	r.saw(out.GetPosition())
	name := set.GetName()
	if err := r.copy.wait(ctx, "a substitute for "+set.GetAssetTag(), func() bool { return len(r.copy.allocations[name].GetSubstitutions()) > 0 }); err != nil {
		return err
	}
	now := r.copy.allocation(name)
	r.say("Diver %d has %s in its place, without anybody asking: the watch stream tells the counter. Why: %s", now.GetOutfit(), now.GetAssetTag(), last(now.GetSubstitutions()).GetReason())
	if err := r.copy.wait(ctx, "the conflict of "+set.GetAssetTag(), func() bool { return r.conflict("club next", set.GetUnit()) }); err != nil {
		return err
	}
	r.say("For the club's next visit there is no other set: that promise is in conflict, and stays in sight.")
	return nil
}

// conflict says whether a booking has a unit that it cannot have; the caller holds the copy's lock.
func (r *saturdayRun) conflict(ref, unit string) bool {
	for _, f := range r.copy.allocations {
		if f.GetReference() == r.ref(ref) && f.GetUnit() == unit && len(f.GetConflicts()) > 0 {
			return true
		}
	}
	return false
}

func last[T any](all []T) (none T) {
	if len(all) == 0 {
		return none
	}
	return all[len(all)-1]
}

// handOut lets a booking through the gate.
func (r *saturdayRun) handOut(ctx context.Context, ref string, all []*compliancepb.Allocation) error {
	out, err := r.c.Availability.HandOutUnits(ctx, &compliancepb.HandOutUnitsRequest{Parent: r.c.Org.Name(), Allocations: setOf(all), RequestId: r.id("hand out", ref)})
	if err != nil {
		return fmt.Errorf("%s: %w", ref, err)
	}
	r.saw(out.GetPosition())
	p := out.GetPosition()
	r.say("%s: %s handed out. The gate had seen %d changes of the registry, %d entries of the ledger.", lastID(all[0].GetShop()), plural(int64(len(out.GetAllocations())), "unit"), p.GetRegistry(), p.GetHistory())
	return nil
}

func (r *saturdayRun) handOutClub(ctx context.Context) error {
	r.head("Hand-out, through the gate")
	club, err := r.booked(ctx, "club", live...)
	if err != nil {
		return err
	}
	return r.handOut(ctx, "club", club)
}

// recalled opens a recall of three jackets: one is out, one is promised and replaceable, and one was asked for by its tag.
func (r *saturdayRun) recalled(ctx context.Context) error {
	club, err := r.booked(ctx, "club", live...)
	if err != nil {
		return err
	}
	boat, err := r.booked(ctx, "boat", live...)
	if err != nil {
		return err
	}
	worn, err := oneOf(club, "bcd", "M", "")
	if err != nil {
		return err
	}
	planned, err := oneOf(boat, "bcd", "M", "")
	if err != nil {
		return err
	}
	var serials, tests []string
	for _, tag := range []string{worn.GetAssetTag(), planned.GetAssetTag(), saturdayJacket} {
		u, err := r.c.unit(ctx, tag)
		if err != nil {
			return err
		}
		serials, tests = append(serials, u.GetSerialNumber()), append(tests, fmt.Sprintf("serial == %q", u.GetSerialNumber()))
	}
	r.head("Noon: a recall of jackets with the serial numbers %s", strings.Join(serials, ", "))
	out, err := r.c.Recalls.OpenRecall(ctx, &compliancepb.OpenRecallRequest{
		Parent: r.c.Org.Name(), RecallId: lastID(r.recall()), RequestId: r.id("recall"), Recall: &compliancepb.Recall{
			Title: "Inflators whose spring may stick", Notice: "The inflator may go on filling the jacket. Have its spring renewed before the next dive.",
			Source: &compliancepb.Source{Document: "Safety notice of an invented maker"}, Scope: &compliancepb.Scope{Kinds: []string{"bcd"}, Where: strings.Join(tests, " || ")},
			Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}, RemediedBy: []string{"spring-replacement"},
		},
	})
	if err != nil {
		return err
	}
	r.saw(out.GetPosition())
	r.say("It holds %s, and answers with the promises that it concerns:", plural(out.GetProgress().GetHeldCount(), "unit"))
	r.affected(out.GetAffectedAllocations())
	return nil
}

// affected tells what became of promises.
func (r *saturdayRun) affected(all []*compliancepb.Allocation) {
	t := newTable("booking", "shop", "had", "now", "~")
	t.bare = true
	for _, f := range all {
		_, ref, _ := strings.Cut(f.GetReference(), " ")
		had, now, what := becameOf(f)
		t.row(ref, lastID(f.GetShop()), had, now, what)
	}
	t.write(r.app.out, "    ", r.app.columns)
}

// callBack has the jacket that is out brought back and replaced, and somebody choose another for the trip.
func (r *saturdayRun) callBack(ctx context.Context) error {
	r.head("What the counters do about it")
	club, err := r.booked(ctx, "club", compliancepb.Allocation_STATE_OUT)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(club, func(f *compliancepb.Allocation) bool { return len(f.GetConflicts()) > 0 })
	if at < 0 {
		return fmt.Errorf("no unit of the club is in conflict")
	}
	called := club[at]
	back, err := r.c.Availability.ReturnUnits(ctx, &compliancepb.ReturnUnitsRequest{
		Parent: r.c.Org.Name(), RequestId: r.id("called back"), Returns: []*compliancepb.ReturnUnitsRequest_Return{{Allocation: called.GetName(), Dives: 1, Note: "called back"}},
	})
	if err != nil {
		return err
	}
	r.saw(back.GetPosition())
	from, to := called.GetStartTime(), called.GetEndTime()
	other, err := r.allocate(ctx, "club", saturdayShop, from, to, 1, called.GetGroup(), &compliancepb.Outfit{Items: []*compliancepb.Outfit_Item{{Kind: "bcd", Size: called.GetSize()}}})
	if err != nil {
		return err
	}
	r.say("%s is back after 1 dive and stays in; %s joins the group for it.", called.GetAssetTag(), other[0].GetAssetTag())
	if err := r.handOut(ctx, "club again", other); err != nil {
		return err
	}
	trip, err := r.booked(ctx, "trip", live...)
	if err != nil {
		return err
	}
	at = slices.IndexFunc(trip, func(f *compliancepb.Allocation) bool { return f.GetAssetTag() == saturdayJacket })
	if at < 0 {
		return fmt.Errorf("%s is not promised", saturdayJacket)
	}
	refusing := &compliancepb.HandOutUnitsRequest{Parent: r.c.Org.Name(), Allocations: setOf(trip), ValidateOnly: true}
	_, err = r.c.Availability.HandOutUnits(ctx, refusing)
	all, _, ok := refusals(err)
	if !ok {
		return fmt.Errorf("the gate was to refuse %s: %w", saturdayJacket, err)
	}
	r.say("%s: the gate refuses the trip as it is.", saturdayTrip)
	r.app.printRefusals("    ", all)
	swap, err := r.c.Availability.SwapAllocation(ctx, &compliancepb.SwapAllocationRequest{Name: trip[at].GetName(), Reason: "recalled; the diver agrees to another", RequestId: r.id("swap")})
	if err != nil {
		return err
	}
	r.saw(swap.GetPosition())
	r.say("The diver agrees to another: %s for %s.", swap.GetAllocation().GetAssetTag(), saturdayJacket)
	return nil
}

func (r *saturdayRun) handOutOthers(ctx context.Context) error {
	for _, ref := range []string{"trip", "boat"} {
		all, err := r.booked(ctx, ref, live...)
		if err != nil {
			return err
		}
		if err := r.handOut(ctx, ref, all); err != nil {
			return err
		}
	}
	return nil
}

// comeBack takes everything back.
func (r *saturdayRun) comeBack(ctx context.Context) error {
	r.head("Returns")
	for _, b := range []struct {
		ref   string
		dives int64
	}{{"club", 2}, {"boat", 2}, {"trip", 6}} {
		all, err := r.booked(ctx, b.ref, compliancepb.Allocation_STATE_OUT)
		if err != nil {
			return err
		}
		req := &compliancepb.ReturnUnitsRequest{Parent: r.c.Org.Name(), RequestId: r.id("return", b.ref)}
		lost := ""
		for _, f := range all {
			back := &compliancepb.ReturnUnitsRequest_Return{Allocation: f.GetName(), Dives: b.dives}
			if lost == "" && f.GetKind() == "bcd" && b.ref == "boat" {
				lost = f.GetAssetTag()
				back.MissingParts = []string{"inflator-hose"}
			}
			req.Returns = append(req.Returns, back)
		}
		out, err := r.c.Availability.ReturnUnits(ctx, req)
		if err != nil {
			return err
		}
		r.saw(out.GetPosition())
		r.say("%s: %s back after %s.", lastID(all[0].GetShop()), plural(int64(len(all)), "unit"), plural(b.dives, "dive"))
		for i, f := range out.GetAllocations() {
			s := out.GetStandings()[i]
			if s.GetMayHandOut() {
				continue
			}
			if why := plainReasons(s); len(why) > 0 {
				tag := f.GetAssetTag()
				if parts := req.GetReturns()[i].GetMissingParts(); len(parts) > 0 {
					tag += ", whose " + strings.ReplaceAll(strings.Join(parts, ", "), "-", " ") + " is missing,"
				}
				r.more("%s stays in: %s", tag, why[0])
			}
		}
	}
	for _, tag := range []string{saturdayLeast, saturdayLast} {
		u, err := r.c.unit(ctx, tag)
		if err != nil {
			return err
		}
		s, err := r.standing(ctx, u)
		if err != nil {
			return err
		}
		if !slices.ContainsFunc(s.GetClocks(), func(c *compliancepb.Clock) bool { return c.GetBlocking() && c.DivesLeft != nil }) {
			return fmt.Errorf("%s was to be due by its dives", tag)
		}
	}
	r.say("%s and %s are due by their dives now.", saturdayLeast, saturdayLast)
	return nil
}

// plainReasons says what keeps a unit from being handed out, each sentence once.
func plainReasons(s *compliancepb.Standing) []string {
	var out []string
	for _, reason := range s.GetReasons() {
		if strings.Contains(usesWord(reason.GetBlocks()), "hand-out") && !slices.Contains(out, reason.GetSentence()) {
			out = append(out, reason.GetSentence())
		}
	}
	return out
}
