package systemtest

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/rounds"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// benchWorld is a plain model of what the bench's units must be held for. Everything happens in the order of time.
type benchWorld struct {
	units       map[string]*benched
	instruments map[string]*calibrated
}

// benched is a second stage.
type benched struct {
	set    string
	order  *played // open; nil if none is
	worked bool    // in it
	left   bool    // an order was closed after work and nothing passed since that proves it
	failed bool    // the last test did not pass
	passed map[string]time.Time
	tested time.Time // last pass of the activity
	doubt  bool      // suspect since, and not tested again
}

// calibrated is an instrument.
type calibrated struct {
	good  time.Time // last that passed
	wrong bool      // a later one did not
}

// held says whether the unit must be.
func (u *benched) held() bool { return u.order != nil || u.left || u.failed || u.doubt }

// TestTheBenchHoldsAtOnce plays orders, tests and calibrations at random over some units and instruments. After each call that was answered, the unit concerned, the set it is
// fitted to, and every other unit is held or not as a plain model of a few lines has it (invariant 3).
func TestTheBenchHoldsAtOnce(t *testing.T) {
	t.Parallel()
	b := newBencher(t, Start(t), "held")
	seed := rounds.Seed(t)
	rnd := rand.New(rand.NewPCG(seed, 1))
	w := &benchWorld{units: map[string]*benched{}, instruments: map[string]*calibrated{}}
	var units, instruments []string
	for i := range 4 {
		u := b.numbered("second-stage", fmt.Sprintf("S-%d", i))
		units = append(units, u)
		w.units[u] = &benched{passed: map[string]time.Time{}}
		if i < 2 {
			set := b.unit("regulator-set", fmt.Sprintf("R-%d", i))
			b.fit(u, set, now.AddDate(0, 0, -90))
			w.units[u].set = set
		}
	}
	for i := range 3 {
		m := b.numbered("water-manometer", fmt.Sprintf("M-%d", i))
		instruments = append(instruments, m)
		w.instruments[m] = &calibrated{}
	}
	steps := 120
	if testing.Short() {
		steps = 30
	}
	var log []string
	for range steps {
		b.stack.Clock.Advance(20 * time.Second)
		at := b.stack.Clock.Now()
		unit, instrument := units[rnd.IntN(len(units))], instruments[rnd.IntN(len(instruments))]
		u, i := w.units[unit], w.instruments[instrument]
		var said string
		switch n := rnd.IntN(10); {
		case n < 2: // a calibration
			passed := rnd.IntN(2) == 0
			said = fmt.Sprintf("calibration of %s: %t", lastOf(instruments, instrument), passed)
			e := entry(instrument, at)
			e.Detail = &historypb.Entry_Test{Test: &historypb.Test{Activity: "calibration", Outcome: historypb.Outcome_OUTCOME_FAIL}}
			if passed {
				e.GetTest().Outcome = historypb.Outcome_OUTCOME_PASS
				e.GetTest().Calibration = &historypb.Calibration{ThroughDate: &date.Date{Year: 2027, Month: 12, Day: 31}}
				i.good, i.wrong = at, false
			} else {
				for _, other := range w.units {
					// Held is what was tested with it since it was last good and not tested again with another.
					if last, ok := other.passed[instrument]; ok && last.After(i.good) && !other.tested.After(last) {
						other.doubt = true
					}
				}
				i.wrong = true
			}
			b.append(e)
		case u.order == nil:
			said = "open"
			u.order, u.worked = b.openAt(unit, "second-stage-overhaul", "", at), false
		case n < 7: // a test
			effort := []string{"1.2 inH2O difference", "1.2 inH2O difference", "1.2 inH2O difference", "2 inH2O difference"}[rnd.IntN(4)]
			said = fmt.Sprintf("test %s with %s", effort, lastOf(instruments, instrument))
			u.order.at = at.Add(-10 * time.Second) // add puts it ten seconds on
			e := u.order.effort("as-found", effort)
			e.GetTestMade().Readings[0].Instrument = instrument
			r, err := b.orders.RecordWork(t.Context(), &historypb.RecordWorkRequest{Name: u.order.order, Events: []*historypb.OrderEvent{e}})
			if err != nil {
				t.Fatal(err)
			}
			b.saw(r.GetPosition())
			u.worked = true
			pass := strings.HasPrefix(effort, "1.2") && !i.good.IsZero() && !i.wrong
			if u.failed = !pass; pass {
				u.tested, u.doubt, u.passed[instrument] = at, false, at
			}
		case n < 8: // signed as not passed: the service that says so holds until one passes
			said = "sign: fail"
			found := &historypb.OrderEvent{EventId: uuid.NewString(), OccurredTime: timestamppb.New(at.Add(-time.Second)), Technician: b.ines, Detail: &historypb.OrderEvent_Found{Found: &historypb.Found{Finding: "a crack"}}}
			r, err := b.orders.SignOrder(t.Context(), &historypb.SignOrderRequest{
				Name: u.order.order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: b.ines, Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL, Events: []*historypb.OrderEvent{found},
			})
			if err != nil {
				t.Fatal(err)
			}
			b.saw(r.GetPosition())
			u.order, u.left = nil, true
		default:
			said = "close"
			r, err := b.orders.CloseOrder(t.Context(), &historypb.CloseOrderRequest{Name: u.order.order, EventId: uuid.NewString(), OccurredTime: timestamppb.New(at), Technician: b.ines, Reason: "the bench is needed"})
			if err != nil {
				t.Fatal(err)
			}
			b.saw(r.GetPosition())
			u.order, u.left = nil, u.left || u.worked
		}
		if u.left && u.order == nil && rnd.IntN(2) == 0 { // somebody else overhauls it and says so
			b.stack.Clock.Advance(5 * time.Second)
			e := entry(unit, b.stack.Clock.Now())
			e.Detail = &historypb.Entry_Service{Service: &historypb.Service{Activities: []string{"overhaul", "inspection"}, Outcome: historypb.Outcome_OUTCOME_PASS}}
			b.append(e)
			u.left = false
			said += ", overhauled elsewhere"
		}
		log = append(log, fmt.Sprintf("%s %s: %s", at.Format(time.TimeOnly), lastOf(units, unit), said))
		for _, name := range units {
			v := w.units[name]
			s := b.standing(name)
			if got := len(s.GetHolds()) > 0; got != v.held() {
				t.Fatalf("seed %d: %s is held %t and should be %t (%+v)\n%v\n%s", seed, lastOf(units, name), got, v.held(), *v, s.GetHolds(), strings.Join(log, "\n"))
			}
			if v.set == "" {
				if v.held() && s.GetMayHandOut() {
					t.Fatalf("seed %d: %s is held and may be handed out", seed, name)
				}
				continue
			}
			if set := b.standing(v.set); set.GetMayHandOut() == v.held() {
				t.Fatalf("seed %d: the set of %s may be handed out: %t\n%v\n%s", seed, lastOf(units, name), set.GetMayHandOut(), set.GetReasons(), strings.Join(log, "\n"))
			}
		}
	}
}

// lastOf names one of several by its number.
func lastOf(all []string, one string) string {
	for i, o := range all {
		if o == one {
			return fmt.Sprint("#", i)
		}
	}
	return one
}

// Condemned is final: an overhaul that is signed as passed afterwards brings no unit back, and its tag is found as before.
func TestNoOrderBringsACondemnedUnitBack(t *testing.T) {
	t.Parallel()
	b := newBencher(t, Start(t), "final")
	unit := b.numbered("second-stage", "S-1")
	b.append(tested(unit, b.stack.Clock.Now().Add(-24*time.Hour), "visual-inspection", historypb.Outcome_OUTCOME_CONDEMNED))
	_, signed := b.overhauled(unit)
	if signed.GetOrder().GetOutcome() != historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS {
		t.Fatalf("signed: %v", signed)
	}
	s := b.standing(unit)
	if s.GetMayHandOut() || s.GetMayFill() || !slices.Contains(codes(s), typepb.Reason_REASON_CONDEMNED) {
		t.Fatalf("a condemned unit is back: %v", s)
	}
	found, err := b.registry.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: b.org, Filter: `asset_tag="S-1"`})
	if err != nil || len(found.GetUnits()) != 1 || found.GetUnits()[0].GetName() != unit {
		t.Fatalf("its tag: %v, %v", found, err)
	}
}
