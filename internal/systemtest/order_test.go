package systemtest

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/rounds"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// TestOrderOfArrivalDoesNotMatter is invariant 4 through the whole stack: two orgs get the same entries in different orders and
// batches; every unit's answer is the same, and so it is after a rebuild from the feeds.
func TestOrderOfArrivalDoesNotMatter(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(rounds.Seed(t), 1))
	s := Start(t)
	one, two := newFleet(t, s, "in-order"), newFleet(t, s, "shuffled")
	var units [2][]string
	for i, f := range []*fleet{one, two} {
		set, first, bcd := f.unit("regulator-set", "R-1"), f.unit("first-stage", "F-1"), f.unit("bcd", "B-1")
		f.fit(first, set, now.AddDate(0, -4, 0))
		units[i] = []string{set, first, bcd}
	}
	var entries []*historypb.Entry
	for i := range 120 {
		at := now.Add(-time.Duration(1+rng.IntN(140*24*60)) * time.Minute)
		unit := units[0][rng.IntN(3)]
		switch rng.IntN(8) {
		case 0:
			entries = append(entries, serviced(unit, at, historypb.Outcome(1+rng.IntN(3)), "inspection", "overhaul"))
		case 1:
			entries = append(entries, tested(unit, at, "leak-test", historypb.Outcome(1+rng.IntN(3))))
		case 2:
			entries = append(entries, condition(unit, at, "free-flow"))
		default:
			entries = append(entries, dives(unit, at, int64(1+i%4)))
		}
	}
	var amendments []*historypb.Entry
	for i := 0; i < 20; i++ {
		e := entries[rng.IntN(len(entries))]
		unit := e.GetName()[:len(e.GetName())-len("/entries/")-36]
		var with *historypb.Replacement
		if rng.IntN(2) == 0 {
			with = &historypb.Replacement{OccurredTime: e.GetOccurredTime(), Detail: &historypb.Replacement_Usage{Usage: dives(unit, now, 2).GetUsage()}}
		}
		amendments = append(amendments, amended(unit, now.Add(-time.Duration(1+rng.IntN(600))*time.Minute), e, "checked against the log book", with))
	}
	send := func(f *fleet, rename func(string) string, entries []*historypb.Entry) {
		for len(entries) > 0 {
			n := min(len(entries), 1+rng.IntN(40))
			var batch []*historypb.Entry
			for _, e := range entries[:n] {
				c := proto.Clone(e).(*historypb.Entry)
				c.Name = rename(c.GetName())
				if a := c.GetAmendment(); a != nil {
					a.CorrectedEntry = rename(a.GetCorrectedEntry())
				}
				batch = append(batch, c)
			}
			f.append(batch...)
			entries = entries[n:]
		}
	}
	rename := func(name string) string { // the same entry of the same unit in the other org
		for i, u := range units[0] {
			if len(name) > len(u) && name[:len(u)] == u {
				return units[1][i] + name[len(u):]
			}
		}
		return name
	}
	send(one, func(n string) string { return n }, entries)
	send(one, func(n string) string { return n }, amendments)
	rng.Shuffle(len(entries), func(i, j int) { entries[i], entries[j] = entries[j], entries[i] })
	rng.Shuffle(len(amendments), func(i, j int) { amendments[i], amendments[j] = amendments[j], amendments[i] })
	send(two, rename, entries)
	send(two, rename, amendments)

	answers := func(f *fleet, units []string) []*compliancepb.Standing {
		var out []*compliancepb.Standing
		for _, u := range units {
			out = append(out, f.standing(u))
		}
		return out
	}
	back := map[string]string{"orgs/shuffled/": "orgs/in-order/"}
	id := func(unit string) string { return unit[len(unit)-36:] }
	for i := range units[0] {
		back[id(units[1][i])] = id(units[0][i])
	}
	want, got := answers(one, units[0]), answers(two, units[1])
	for i := range got {
		renameStanding(got[i], back)
		if d := cmp.Diff(want[i], got[i], protocmp.Transform()); d != "" {
			t.Errorf("unit %d differs by order of arrival (-in order +shuffled):\n%s", i, d)
		}
	}

	before := answers(one, units[0])
	r, err := one.compliance.RebuildProjection(t.Context(), &compliancepb.RebuildProjectionRequest{Parent: one.org, RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	if r.GetUnitCount() != 3 {
		t.Errorf("%d units were built again, want 3", r.GetUnitCount())
	}
	for i, s := range answers(one, units[0]) {
		if d := cmp.Diff(before[i], s, protocmp.Transform()); d != "" {
			t.Errorf("unit %d differs after a rebuild (-before +after):\n%s", i, d)
		}
	}
}

// renameStanding replaces names of one org by those of the other, everywhere in a standing.
func renameStanding(s *compliancepb.Standing, names map[string]string) {
	renameStrings(s.ProtoReflect(), names)
}

// TestReadYourWrites: a read with the position of a write sees it, every time, and a position that is not there yet is refused in
// time rather than answered with something older.
func TestReadYourWrites(t *testing.T) {
	t.Parallel()
	f := newFleet(t, Start(t), "reader")
	bcd := f.unit("regulator-set", "R-1")
	for i := range 40 {
		f.append(dives(bcd, now.Add(-time.Duration(i+1)*time.Hour), 1))
		if got := f.standing(bcd).GetClocks()[0].GetDivesUsed(); got != int64(i+1) {
			t.Fatalf("after %d dives the clock shows %d", i+1, got)
		}
	}
	ctx, cancel := contextWithTimeout(t, 3*time.Second)
	defer cancel()
	began := time.Now()
	_, err := f.compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: bcd, AtLeast: &typepb.Position{History: f.position.GetHistory() + 1}})
	if reasonOf(err) != "NOT_CAUGHT_UP" {
		t.Errorf("a position of the future: %v", err)
	}
	if took := time.Since(began); took > 3500*time.Millisecond {
		t.Errorf("it took %v with a deadline of 3 s", took)
	}
}
