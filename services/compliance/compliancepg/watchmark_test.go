package compliancepg_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// life is a fleet to which things go on happening, of every sort that changes what a unit may be used for.
type life struct {
	*teller
	f       *feeds
	fitted  map[uuid.UUID]compliance.Fitting // open ones, by part
	held    []due.ManualHold
	waivers []due.Waiver
	recalls []string
	opened  int
	packs   int
	fine    []uuid.UUID // may be handed out; holds are placed on these if there are any
}

func newLife(t testing.TB, units int) *life {
	l := &life{teller: newTeller(t), f: randomFleet(seed(t), units, units*8), fitted: map[uuid.UUID]compliance.Fitting{}}
	l.publish(house()...)
	// A part is where its host is, as the registry sees to.
	for _, c := range slices.Clone(l.f.registry) {
		if c.Fitting != nil && c.Fitting.To.IsZero() {
			fit := *c.Fitting
			fit.To = today.Add(-time.Hour)
			l.f.register(compliance.Change{Fitting: &fit})
		}
	}
	l.apply(l.f)
	return l
}

// alone says whether nothing is fitted to a unit, and it to nothing.
func (l *life) alone(unit uuid.UUID) bool {
	if _, part := l.fitted[unit]; part {
		return false
	}
	for _, f := range l.fitted {
		if f.Host == unit {
			return false
		}
	}
	return true
}

func place(u *compliance.Unit) string { return u.Placements[len(u.Placements)-1].Shop }

// happens lets one thing happen now, or a little ahead of now, as clocks of benches run, and says what.
func (l *life) happens() string {
	l.t.Helper()
	rng, now := l.f.rng, l.clock.Now()
	at := now
	if rng.IntN(4) == 0 {
		at = now.Add(time.Duration(rng.IntN(240)) * time.Second)
	}
	u := &l.f.units[rng.IntN(len(l.f.units))]
	own := func(kind string) compliance.OwnChange {
		return compliance.OwnChange{At: now, Kind: kind, Actor: "test"}
	}
	ok := func(err error) {
		l.t.Helper()
		if err != nil {
			l.t.Fatal(err)
		}
	}
	switch n := rng.IntN(24); {
	case n < 6:
		l.f.record(l.f.entry(u.ID, at))
	case n < 8:
		l.f.record(due.Entry{Unit: u.ID, Occurred: at, Kind: due.Work, Activities: []string{"overhaul", "inspection", "hydrostatic-test"}, Outcome: []due.Outcome{due.Pass, due.Fail}[rng.IntN(2)]})
	case n < 9:
		if rng.IntN(10) == 0 {
			l.f.record(due.Entry{Unit: u.ID, Occurred: at, Kind: due.Work, Activities: []string{"inspection"}, Outcome: due.Condemned})
		}
	case n < 10:
		if !l.alone(u.ID) {
			return "nothing"
		}
		u.Placements = append(slices.Clone(u.Placements), compliance.Placement{Shop: fmt.Sprint("shop", rng.IntN(3)), From: at})
		l.f.register(compliance.Change{Unit: ptr(*u)})
	case n < 11:
		if rng.IntN(6) == 0 && u.Retired.IsZero() {
			u.Retired = at
			l.f.register(compliance.Change{Unit: ptr(*u)})
		}
	case n < 14:
		if fit, open := l.fitted[u.ID]; open {
			fit.To = at
			delete(l.fitted, u.ID)
			l.f.register(compliance.Change{Fitting: ptr(fit)})
			break
		}
		to := &l.f.units[rng.IntN(len(l.f.units))]
		host := to.ID
		if place(to) != place(u) {
			return "nothing"
		}
		for h, up := host, true; up; { // not round in a circle
			if h == u.ID {
				return "nothing"
			}
			var fit compliance.Fitting
			fit, up = l.fitted[h]
			h = fit.Host
		}
		fit := compliance.Fitting{ID: l.f.id(), Part: u.ID, Host: host, From: at}
		l.fitted[u.ID] = fit
		l.f.register(compliance.Change{Fitting: ptr(fit)})
	case n < 16:
		unit := u.ID
		if len(l.fine) > 0 {
			unit = l.fine[rng.IntN(len(l.fine))]
		}
		h := due.ManualHold{ID: uuid.NewString(), Unit: unit, Reason: "odd sound", Blocks: due.Use(1 + rng.IntN(3)), Placed: now, Placer: "test"}
		_, err := l.store.PlaceHold(l.t.Context(), org, h, own(compliance.HoldPlaced))
		ok(err)
		l.held = append(l.held, h)
		return "hold"
	case n < 18 && len(l.held) > 0:
		h := l.held[len(l.held)-1]
		l.held = l.held[:len(l.held)-1]
		_, _, err := l.store.LiftHold(l.t.Context(), org, h.Unit, h.ID, "fine", own(compliance.HoldLifted))
		ok(err)
		return "lift"
	case n < 19:
		l.waivers = append(l.waivers, l.grantAt(l.f, u.ID, []string{"overhaul", "fills"}[rng.IntN(2)], now, rng.IntN(3)*rng.IntN(20), rng.IntN(compliance.MaxWaiverDays+1)))
		return "waiver"
	case n < 20 && len(l.waivers) > 0:
		l.revokeAt(l.waivers[len(l.waivers)-1], now)
		l.waivers = l.waivers[:len(l.waivers)-1]
		return "revoke"
	case n < 21:
		l.opened++
		r := due.Recall{ID: fmt.Sprint("recall-", l.opened), Title: "Seats of a lot", Scope: due.Scope{Kinds: []string{[]string{"bcd", "first-stage", "cylinder"}[rng.IntN(3)]}}, Blocks: due.HandOut, RemediedBy: []string{"overhaul"}, Opened: now}
		l.openRecall(r, true)
		l.recalls = append(l.recalls, r.ID)
		return "recall"
	case n < 22 && len(l.recalls) > 0:
		id := l.recalls[len(l.recalls)-1]
		if rng.IntN(2) == 0 {
			if _, err := l.release(id, u.ID, now); err != nil && !errs.Is(err, "NOT_FOUND") && !errs.Is(err, "RECALL_UNIT_NOT_HELD") {
				l.t.Fatal(err)
			}
			return "release"
		}
		ok(l.endRecall(id, true, now))
		l.recalls = l.recalls[:len(l.recalls)-1]
		return "withdrawn"
	case n < 23:
		l.packs++
		p := house()[2]
		if p.Effective = civil.In(now, time.UTC).AddDays(rng.IntN(9) - 2); p.Effective < house()[2].Effective {
			p.Effective = house()[2].Effective
		}
		p.Rules = slices.Clone(p.Rules)
		p.Rules[0].Months, p.Rules[0].Limit.Dives = 6+rng.IntN(12), int64(20+rng.IntN(30))
		if rng.IntN(2) == 0 {
			p.Rules = slices.Delete(p.Rules, 1, 2) // hours
		}
		_, _, err := l.store.Publish(l.t.Context(), org, p.ID, p.Effective, encode(l.t, p), own(compliance.PackPublished))
		if err != nil && errs.As(err).Kind != errs.Invalid && errs.As(err).Kind != errs.Precondition {
			l.t.Fatal(err)
		}
		return "pack"
	}
	l.apply(l.f)
	return "feeds"
}

// passes lets time pass, from minutes to weeks, and has it noticed.
func (l *life) passes() {
	l.t.Helper()
	l.clock.Advance([]time.Duration{0, time.Second, time.Minute, 10 * time.Minute, 5 * time.Hour, 24 * time.Hour, 9 * 24 * time.Hour}[l.f.rng.IntN(7)])
	l.noticed()
}

func (l *life) noticed() {
	l.t.Helper()
	for more := true; more; {
		var err error
		if _, more, err = l.store.MarkPassed(l.t.Context(), org, l.clock.Now(), 1+l.f.rng.IntN(50)); err != nil {
			l.t.Fatal(err)
		}
	}
}

// watched returns what is told of each unit now, and the number of its last change.
func (l *life) watched() (states map[uuid.UUID]compliance.WatchedUnit, numbers map[uuid.UUID]int64) {
	l.t.Helper()
	states, numbers = map[uuid.UUID]compliance.WatchedUnit{}, map[uuid.UUID]int64{}
	l.read(func(ctx context.Context, r *compliancepg.Reader) error {
		sets, err := r.Sets(ctx, l.f.ids(), l.clock.Now())
		for _, s := range sets {
			states[s.Unit] = compliance.Watched(s, l.clock.Now())
		}
		return err
	})
	rows, err := l.admin().Query(l.t.Context(), `select unit_id, number from compliance.watch_units`)
	if err != nil {
		l.t.Fatal(err)
	}
	for rows.Next() {
		var id uuid.UUID
		var n int64
		if err := rows.Scan(&id, &n); err != nil {
			l.t.Fatal(err)
		}
		numbers[id] = n
	}
	if rows.Err() != nil {
		l.t.Fatal(rows.Err())
	}
	return states, numbers
}

// TestChangedUnitsAreMarked lets a fleet live for some months: whatever changes what is told of a unit, that of its parts and mere time
// included, gives the unit a number above all before. And no unit is without one.
func TestChangedUnitsAreMarked(t *testing.T) {
	t.Parallel()
	l := newLife(t, 40)
	last, numbers := l.watched()
	for id := range last {
		if numbers[id] == 0 {
			t.Fatalf("unit %s was never marked", id)
		}
	}
	var head int64
	changed, marked := map[string]int{}, 0
	missing := func() bool { // a sort of event that never changed a state
		return slices.ContainsFunc([]string{"time", "feeds", "hold", "recall", "pack"}, func(what string) bool { return changed[what] == 0 })
	}
	for i := 0; i < rounds.Of(210) || missing() && i < 2000; i++ {
		for _, n := range numbers {
			head = max(head, n)
		}
		what := "time"
		if i%3 > 0 {
			what = l.happens()
		} else {
			l.passes()
		}
		var now map[uuid.UUID]compliance.WatchedUnit
		now, numbers = l.watched()
		for id, s := range now {
			if numbers[id] > head {
				marked++
			}
			if d := cmp.Diff(last[id], s, cmp.Comparer(func(a, b civil.Mark) bool { return a == b })); d != "" {
				changed[what]++
				if numbers[id] <= head {
					t.Fatalf("step %d, %s at %s: unit %s changed and was not marked:\n%s", i, what, l.clock.Now(), id, d)
				}
			}
		}
		last, l.fine = now, nil
		for _, id := range l.f.ids() {
			if now[id].MayHandOut {
				l.fine = append(l.fine, id)
			}
		}
	}
	t.Logf("changes of state: %v; marks: %d", changed, marked)
	if missing() {
		t.Error("not every sort of event changed a state")
	}
}
