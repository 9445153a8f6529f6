package due_test

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// FuzzDerive reads any bytes as an input: within the bounds that the services check, and often at them. The engine answers in bounded
// time, the same in any order, and what must hold of every answer holds.
func FuzzDerive(f *testing.F) {
	r := rand.New(rand.NewPCG(20261126, 3))
	for range 64 {
		seed := make([]byte, 200+r.IntN(2000))
		for i := range seed {
			seed[i] = byte(r.IntN(256))
		}
		f.Add(seed)
	}
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 1<<14 {
			return
		}
		tape := tape(raw)
		in := tape.input()
		at, known := tape.instant(), tape.instant()
		if tape.n(2) == 0 {
			known = time.Time{}
		}
		started := time.Now()
		s, self, parts := stand(in, at, known)
		holdAnswer(t, in, &s, self, parts)
		if took := time.Since(started); took > 5*time.Second {
			t.Errorf("it took %v", took)
		}
		for range 3 {
			again := due.Derive(shuffled(rand.New(rand.NewPCG(uint64(tape.n(1000)), 1)), in), at, known)
			if !reflect.DeepEqual(again, *self) {
				t.Fatalf("another order, another answer:\n%s\n%s", derivedText(&again), derivedText(self))
			}
		}
		all := due.Derive(in, time.Time{}, time.Time{})
		due.Window(&all, nil, at, at.Add(time.Duration(tape.n(1000))*time.Hour), due.Amount{Dives: int64(tape.n(100))})
	})
}

// holdAnswer checks what holds of every answer.
func holdAnswer(t *testing.T, in due.Input, s *due.Standing, self *due.Derived, parts []*due.Derived) {
	t.Helper()
	checkStanding(t, s, self, parts)
	for _, c := range s.Clocks {
		if c.Used.Dives < 0 || c.Used.Hours < 0 || c.Used.Fills < 0 || c.Estimated.Dives > c.Used.Dives || c.Estimated.Hours > c.Used.Hours || c.Estimated.Fills > c.Used.Fills {
			t.Errorf("used %+v, %+v of it estimates", c.Used, c.Estimated)
		}
		if c.AnchorDate.IsZero() && !c.DueOn.IsZero() {
			t.Errorf("due %s from nothing", c.DueOn)
		}
		if r := c.Rule; r.Months > 0 && r.Late == due.FromDue && c.AnchorLate && c.Basis == due.BasisRule && c.AnchorExpiry.IsZero() && c.DueOn.First() < c.AnchorDate.First() {
			t.Errorf("late work counts for nothing: from %s to %s", c.AnchorDate, c.DueOn)
		}
		if next := c.NextChange(s.On); !next.IsZero() && next.First() <= s.On {
			t.Errorf("the next change after %s is on %s", s.On, next)
		}
		if from := c.BlocksFrom(s.On); !from.IsZero() && from.First() < s.On {
			t.Errorf("from %s on it blocks from %s", s.On, from)
		}
	}
	for _, h := range self.Holds {
		if h.Cause == due.CauseCondemned && (!h.Lifted.IsZero() || s.MayHandOut || s.MayFill) {
			t.Errorf("condemned, and hand-out %v, fill %v", s.MayHandOut, s.MayFill)
		}
	}
	uses := due.Uses(in, s.At, time.Time{})
	if !slices.IsSortedFunc(uses, func(a, b due.Counted) int { return a.At.Compare(b.At) }) {
		t.Error("the uses are out of order")
	}
}

// tape is bytes that choices are read from; past its end every choice is the first.
type tape []byte

// n chooses one of so many.
func (t *tape) n(of int) (n int) {
	for range 3 {
		n = n << 8
		if len(*t) > 0 {
			n |= int((*t)[0])
			*t = (*t)[1:]
		}
		if of <= 256 {
			break
		}
	}
	return n % of
}

func (t *tape) one(of ...string) string { return of[t.n(len(of))] }

// upTo chooses a number, now and then the greatest or none.
func (t *tape) upTo(most int64) int64 {
	switch t.n(8) {
	case 0:
		return most
	case 1:
		return 0
	}
	return min(most, int64(t.n(50)))
}

func (t *tape) instant() time.Time {
	switch t.n(16) {
	case 0:
		return time.Date(1900, 1, 1, 0, 0, 0, 0, time.UTC)
	case 1:
		return time.Date(2999, 12, 31, 23, 59, 59, 0, time.UTC)
	case 2:
		return begin // often the same
	}
	return begin.Add(time.Duration(t.n(7*365*24*2)) * 30 * time.Minute)
}

func (t *tape) mark() civil.Mark {
	switch t.n(6) {
	case 0:
		return civil.Mark{}
	case 1:
		return civil.Month(1900+t.n(1100), time.Month(1+t.n(12)))
	case 2:
		return civil.Day(civil.New(1900, 1, 1))
	case 3:
		return civil.Day(civil.New(2999, 12, 31))
	}
	return civil.Day(civil.New(2017, 1, 1) + civil.Date(t.n(3000)))
}

func (t *tape) amount(most int64, longest time.Duration) due.Amount {
	return due.Amount{Dives: t.upTo(most), Hours: time.Duration(t.upTo(int64(longest/time.Second))) * time.Second, Fills: t.upTo(most)}
}

func (t *tape) deeds() (out []string) {
	for _, d := range deeds {
		if t.n(2) == 0 {
			out = append(out, d)
		}
	}
	return out
}

func (t *tape) input() due.Input {
	in := due.Input{Unit: unitID(0)}
	for i := range 1 + t.n(4) {
		f := due.Facts{Unit: unitID(i), Kind: t.one("set", "stage"), Maker: t.one("", "a"), Manufactured: t.mark(), Commissioned: t.mark()}
		from := time.Time{}
		for range 1 + t.n(3) {
			f.Stays = append(f.Stays, due.Stay{From: from, Zone: location(zones[t.n(len(zones))]), Jurisdiction: places[t.n(len(places))]})
			if next := t.instant(); next.After(from) {
				from = next
			} else {
				break
			}
		}
		if t.n(8) == 0 {
			f.Retired = t.instant()
		}
		in.Units = append(in.Units, f)
	}
	unit := func() int { return t.n(len(in.Units)) }
	for i := range t.n(40) {
		e := t.entry()
		e.ID, e.Unit, e.Occurred, e.Recorded = entryID(i), unitID(unit()), t.instant(), t.instant()
		if t.n(6) == 0 {
			e = due.Entry{ID: e.ID, Unit: e.Unit, Occurred: e.Occurred, Recorded: e.Recorded, Kind: due.Amendment, Corrects: entryID(t.n(40))}
			if t.n(2) == 0 {
				right := t.entry()
				right.Occurred = t.instant()
				e.Correct = &right
			}
		}
		if t.n(5) == 0 {
			e = due.Entry{ID: e.ID, Unit: e.Unit, Occurred: e.Occurred, Recorded: e.Recorded, Kind: due.OrderEntry, Activities: t.deeds(), Order: &due.OrderEvent{
				Order: entryID(t.n(8)), What: due.OrderStep(t.n(11)), Lot: t.one("", "a", "b"), Part: t.one("", "seat"), Count: int32(t.n(200) - 100), Withdraws: entryID(t.n(40)),
			}}
		}
		in.Entries = append(in.Entries, e)
	}
	for range t.n(6) { // also of a unit to itself, in circles, and ending before they begin
		f := due.Fitting{Part: unitID(unit()), Host: unitID(unit()), From: t.instant()}
		if t.n(2) == 0 {
			f.To = t.instant()
		}
		if !slices.ContainsFunc(in.Fittings, func(o due.Fitting) bool { return o.Part == f.Part && o.From.Equal(f.From) && o.Host == f.Host }) {
			in.Fittings = append(in.Fittings, f)
		}
	}
	for i := range t.n(5) {
		p := due.Pack{ID: t.one("a", "b"), Revision: int64(i), Effective: t.mark().First(), Published: t.instant()}
		for j := range t.n(4) {
			p.Rules = append(p.Rules, t.rule(p.ID, fmt.Sprintf("rule-%d", j)))
		}
		if t.n(3) == 0 {
			p.Proofs = []due.Proof{{ClearedBy: t.deeds()}}
		}
		in.Packs = append(in.Packs, p)
	}
	for i := range t.n(3) {
		in.Holds = append(in.Holds, due.ManualHold{ID: fmt.Sprintf("hold-%d", i), Unit: unitID(unit()), Reason: "x", Blocks: due.Use(1 + t.n(3)), Placed: t.instant(), Lifted: t.instant()})
	}
	for i := range t.n(4) {
		in.Waivers = append(in.Waivers, due.Waiver{
			ID: fmt.Sprintf("waiver-%d", i), Unit: unitID(unit()), Pack: t.one("a", "b"), Rule: fmt.Sprintf("rule-%d", t.n(4)), From: t.mark().First(), To: t.mark().First(), Granted: t.instant(),
		})
	}
	for i := range t.n(3) {
		c := due.Recall{ID: fmt.Sprintf("notice-%d", i), Title: "x", Blocks: due.Use(1 + t.n(3)), RemediedBy: t.deeds(), Opened: t.instant(), Withdrawn: t.instant()}
		in.Recalls = append(in.Recalls, c)
		in.Releases = append(in.Releases, due.Release{Recall: c.ID, Unit: unitID(unit()), Released: t.instant()})
	}
	return in
}

func (t *tape) entry() (e due.Entry) {
	switch t.n(4) {
	case 0:
		e.Kind, e.Amount = due.UsageEntry, t.amount(10_000, 10_000*time.Hour)
	case 1:
		e.Kind, e.Reading, e.Meter = due.UsageEntry, true, due.Measure(1+t.n(3))
		value := func() (n int64, a due.Amount) {
			n = t.upTo(3_600_000_000)
			switch e.Meter {
			case due.Dives:
				a.Dives = n
			case due.Hours:
				a.Hours, n = time.Duration(n)*time.Second, n*int64(time.Second)
			default:
				a.Fills = n
			}
			return n, a
		}
		_, e.Amount = value()
		if e.Replaced = t.n(4) == 0; e.Replaced {
			_, e.Replacement = value()
		}
		if t.n(3) == 0 {
			e.Rollover, _ = value()
		}
	case 2:
		e.Kind, e.Activities, e.Outcome, e.Mark = due.Work, t.deeds(), due.Outcome(1+t.n(4)), t.mark()
	default:
		e.Kind, e.Condition, e.Pull, e.Activities = due.Condition, t.one("drop", "free-flow"), t.n(2) == 0, t.deeds()
	}
	if e.Kind == due.UsageEntry {
		e.Estimated, e.HasCelsius, e.Celsius = t.n(2) == 0, t.n(2) == 0, int16(t.n(150)-60)
	}
	return e
}

func (t *tape) rule(pack, id string) due.Rule {
	r := due.Rule{
		Pack: pack, ID: id, Title: id, Activity: t.one(deeds...), Authority: due.Authority(1 + t.n(4)), Months: int(t.upTo(1200)), MonthStamp: t.n(2) == 0,
		Limit: t.amount(1_000_000, 1_000_000*time.Hour), LeadDays: int(t.upTo(3650)), Lead: t.amount(1_000_000, 1_000_000*time.Hour), Blocks: due.Use(1 + t.n(3)),
		EndOfLife: t.n(6) == 0, HandOutIfFilledBefore: t.n(3) == 0, SatisfiedBy: t.deeds(), PhaseInDays: int(t.upTo(3650)), Late: due.Late(t.n(3)), MarkExpires: t.n(3) == 0,
	}
	if t.n(3) == 0 {
		r.Scope.Jurisdictions = []string{t.one("US", "PT")}
	}
	for _, b := range []due.Baseline{due.Manufacture, due.FirstUse, due.Commissioning} {
		if t.n(2) == 0 {
			r.Baselines = append(r.Baselines, b)
		}
	}
	for range t.n(3) {
		r.Intense = append(r.Intense, due.Intense{
			Use: t.amount(100_000, 10_000*time.Hour), Days: 1 + int(t.upTo(365)), Months: int(t.upTo(1200)), MonthStamp: t.n(2) == 0, Limit: t.amount(1_000_000, 1_000_000*time.Hour),
		})
	}
	if t.n(3) == 0 {
		r.Evidence = due.Evidence{Activity: t.one(deeds...), Valid: 1 + int(t.upTo(1199)), Months: 1 + int(t.upTo(1199))}
	}
	for range t.n(3) {
		r.Companions = append(r.Companions, due.Companion{Activity: t.one(deeds...), First: t.n(2) == 0, Within: int(t.upTo(3650))})
	}
	if t.n(3) == 0 {
		r.Storage = due.Storage{Months: 1 + int(t.upTo(1199)), Baselines: []due.Baseline{due.Baseline(1 + t.n(3))}}
	}
	for i := range t.n(4) {
		r.Weights = append(r.Weights, due.Weight{Celsius: int16(i*30 - 60 + t.n(30)), Percent: int32(1 + t.upTo(9_999))})
	}
	return r
}
