package compliancepg_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// set is a regulator set with a first stage, both overhauled and ready on a day.
type set struct {
	*world
	f          *feeds
	host, part compliance.Unit
}

func readySet(t *testing.T) *set {
	f := &feeds{rng: seed(t)}
	f.register(compliance.Change{Shop: &compliance.Shop{ID: "shop", Zone: "UTC", Jurisdiction: "GB"}})
	for _, k := range []string{"regulator-set", "first-stage"} {
		f.register(compliance.Change{Model: &compliance.Model{ID: k, Kind: k}})
	}
	unit := func(kind string) compliance.Unit {
		return compliance.Unit{
			ID: f.id(), Tag: kind, Model: kind, Commissioned: civil.Day(civil.New(2026, 1, 1)),
			Placements: []compliance.Placement{{Shop: "shop", From: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}},
		}
	}
	s := &set{newWorld(t), f, unit("regulator-set"), unit("first-stage")}
	f.register(compliance.Change{Unit: &s.host})
	f.register(compliance.Change{Unit: &s.part})
	f.register(compliance.Change{Fitting: &compliance.Fitting{ID: f.id(), Part: s.part.ID, Host: s.host.ID, From: today.AddDate(0, -1, 0)}})
	s.publish(house()[0])
	s.apply(f)
	return s
}

// says is what every answer about the set says of it at an instant.
func (s *set) says(at time.Time, ready bool, shown ...due.Code) {
	s.t.Helper()
	s.apply(s.f)
	s.read(func(ctx context.Context, r *compliancepg.Reader) error {
		for _, answer := range []struct {
			how string
			fn  func(context.Context, []uuid.UUID, time.Time) ([]*compliance.Set, error)
		}{
			{"derived", func(ctx context.Context, ids []uuid.UUID, at time.Time) ([]*compliance.Set, error) {
				return r.Derive(ctx, ids, at, time.Time{})
			}},
			{"stored", r.Sets},
		} {
			sets, err := answer.fn(ctx, []uuid.UUID{s.host.ID}, at)
			if err != nil {
				return err
			}
			st := sets[0].Stand(at)
			if st.MayHandOut != ready {
				s.t.Errorf("%s at %v: ready %v, want %v: %v", answer.how, at, st.MayHandOut, ready, st.Reasons)
			}
			for _, code := range shown {
				found := false
				for _, reason := range st.Reasons {
					found = found || reason.Code == code && reason.Unit == s.part.ID
				}
				if !found {
					s.t.Errorf("%s at %v: %v does not say %s of the part", answer.how, at, st.Reasons, code)
				}
			}
		}
		counts, _, err := r.Fleet(ctx, at, time.Time{}, 30)
		if err != nil {
			return err
		}
		shop := s.host.Placements[len(s.host.Placements)-1].Shop
		if got := counts[compliance.CountKey{Shop: shop, Kind: "regulator-set"}].Ready == 1; got != ready {
			s.t.Errorf("counted at %v: ready %v, want %v", at, got, ready)
		}
		return nil
	})
}

func TestPartStopsTheSet(t *testing.T) {
	t.Parallel()
	later := today.AddDate(0, 0, 7)
	failed := func(s *set, at time.Time) {
		s.f.record(due.Entry{Unit: s.part.ID, Occurred: at, Kind: due.Work, Activities: []string{"overhaul"}, Outcome: due.Fail})
	}
	t.Run("ready", func(t *testing.T) {
		t.Parallel()
		readySet(t).says(today, true)
	})
	t.Run("failed test", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		failed(s, today.AddDate(0, 0, -1))
		s.says(today, false, due.HoldOpen)
	})
	t.Run("failed after the instant", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		s.f.record(due.Entry{Unit: s.part.ID, Occurred: today, Kind: due.Work, Activities: []string{"overhaul"}, Outcome: due.Pass})
		s.f.record(due.Entry{Unit: s.part.ID, Occurred: today.AddDate(0, 0, -3), Kind: due.UsageEntry, Amount: due.Amount{Dives: 40}})
		s.says(today.AddDate(0, 0, -1), false, due.UsageLimitReached) // overhauled since: the stored rows know too much
		s.says(later, true)
	})
	t.Run("retired and still fitted", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		s.part.Retired = today.AddDate(0, 0, -1)
		s.f.register(compliance.Change{Unit: &s.part})
		s.says(today, false, due.Retired)
		s.says(today.AddDate(0, 0, -2), true)
	})
	t.Run("not yet commissioned", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		s.part.Commissioned = civil.Day(civil.In(later, time.UTC))
		s.f.register(compliance.Change{Unit: &s.part})
		s.says(today, false, due.NotYetCommissioned)
		s.says(later, true)
	})
	t.Run("held by hand", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		h := due.ManualHold{ID: s.f.id().String(), Unit: s.part.ID, Reason: "odd sound", Blocks: due.HandOut, Placed: today, Placer: "someone"}
		if _, err := s.store.PlaceHold(t.Context(), org, h, compliance.OwnChange{At: today, Kind: compliance.HoldPlaced}); err != nil {
			t.Fatal(err)
		}
		s.says(today, false, due.HoldOpen)
		s.says(today.Add(-time.Microsecond), true)
	})
	t.Run("taken off", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		failed(s, today.AddDate(0, 0, -1))
		fit := *s.f.registry[len(s.f.registry)-1].Fitting
		fit.To = today
		s.f.register(compliance.Change{Fitting: &fit})
		s.says(today.Add(-time.Microsecond), false, due.HoldOpen)
		s.says(today, true)
	})
	t.Run("overdue through the host's dives", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		// 39 of the 40 dives on the part alone, the fortieth on the set: within the host's own limit.
		s.f.record(due.Entry{Unit: s.part.ID, Occurred: today.AddDate(0, 0, -20), Kind: due.UsageEntry, Amount: due.Amount{Dives: 39}})
		s.says(today, true)
		s.f.record(due.Entry{Unit: s.host.ID, Occurred: today.AddDate(0, 0, -2), Kind: due.UsageEntry, Amount: due.Amount{Dives: 1}})
		s.says(today, false, due.UsageLimitReached)
	})
	t.Run("transferred, and the part's move is yet to come", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		// The first of June at the old shop, still the last of May at the new one.
		s.f.register(compliance.Change{Shop: &compliance.Shop{ID: "west", Zone: "Pacific/Pago_Pago", Jurisdiction: "US"}})
		s.f.record(due.Entry{Unit: s.part.ID, Occurred: today.AddDate(-1, 0, -1), Kind: due.Work, Activities: []string{"overhaul"}, Outcome: due.Pass})
		s.says(today.AddDate(0, 0, -2), true)
		s.says(today, false, due.DateLimitPassed)
		s.host.Placements = append(s.host.Placements, compliance.Placement{Shop: "west", From: today.AddDate(0, 0, -1)})
		s.f.register(compliance.Change{Unit: ptr(s.host)})
		s.says(today, true)
		s.says(today.Add(2*time.Hour), false, due.DateLimitPassed)
		s.part.Placements = s.host.Placements
		s.f.register(compliance.Change{Unit: ptr(s.part)})
		s.says(today, true)
		s.says(today.Add(2*time.Hour), false, due.DateLimitPassed)
	})
	t.Run("amended before its entry came", func(t *testing.T) {
		t.Parallel()
		s := readySet(t)
		at := today.AddDate(0, 0, -2)
		e := due.Entry{Unit: s.host.ID, Occurred: at, Kind: due.Condition, Condition: "drop"}
		e.ID = s.f.id()
		s.f.record(due.Entry{
			Unit: s.host.ID, Occurred: at, Kind: due.Amendment, Corrects: e.ID,
			Correct: &due.Entry{ID: e.ID, Unit: s.host.ID, Occurred: at, Kind: due.UsageEntry, Amount: due.Amount{Dives: 40}},
		})
		s.apply(s.f)
		s.f.history = append(s.f.history, compliance.Change{Number: int64(len(s.f.history) + 1), Entry: &e})
		s.says(today, false, due.UsageLimitReached)
	})
}
