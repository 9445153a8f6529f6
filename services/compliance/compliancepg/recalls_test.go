package compliancepg_test

import (
	"context"
	"encoding/json"

	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// decodeRecall reads recalls that the tests store as JSON of due.Recall.
func decodeRecall(body []byte) (r due.Recall, err error) { return r, json.Unmarshal(body, &r) }

func (w *world) openRecall(r due.Recall, releasable bool) {
	w.t.Helper()
	body, err := json.Marshal(r)
	if err != nil {
		w.t.Fatal(err)
	}
	rec := compliance.RecallRecord{ID: r.ID, Body: body, Releasable: releasable, Opened: r.Opened, Opener: "chain"}
	if _, _, err := w.store.OpenRecall(w.t.Context(), org, rec, r, compliance.OwnChange{At: r.Opened, Kind: compliance.RecallOpened, Actor: "chain"}); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) endRecall(id string, withdraw bool, at time.Time) error {
	_, _, err := w.store.EndRecall(w.t.Context(), org, id, withdraw, "taken back", compliance.OwnChange{At: at, Kind: compliance.RecallWithdrew, Actor: "chain"})
	return err
}

func (w *world) release(id string, unit uuid.UUID, at time.Time) (compliance.RecalledUnit, error) {
	u, _, err := w.store.ReleaseRecalled(w.t.Context(), org, due.Release{Recall: id, Unit: unit, Released: at, Releaser: "chain", Reason: "another lot"},
		compliance.OwnChange{At: at, Kind: compliance.RecallUnitFreed, Actor: "chain"})
	return u, err
}

// recall opens recalls at random, releases units from them, and withdraws some.
func (w *world) recall(f *feeds, n int) {
	w.t.Helper()
	scopes := []due.Scope{
		{Kinds: []string{"regulator-set", "first-stage", "second-stage"}}, {Kinds: []string{"bcd"}, Jurisdictions: []string{"US"}},
		{Attributes: map[string][]string{"alloy": {"6351"}}}, {Kinds: []string{"cylinder"}, Jurisdictions: []string{"GB", "NZ"}},
	}
	for i := range n {
		at := f.instant()
		if i%2 == 0 { // after most of what happened
			at = today.Add(-time.Duration(1+f.rng.IntN(60*24*60)) * time.Minute)
		}
		r := due.Recall{ID: "n-" + f.id().String(), Title: "Seats of a lot", Scope: scopes[f.rng.IntN(len(scopes))], Blocks: due.Use(1 + f.rng.IntN(3)), Opened: at}
		if f.rng.IntN(2) == 0 {
			if r.Lots = []string{lots[f.rng.IntN(len(lots))], "no-such-lot"}; f.rng.IntN(2) == 0 {
				r.Scope = due.Scope{}
			}
		}
		if f.rng.IntN(3) > 0 {
			r.RemediedBy = []string{"overhaul", "inspection"}[:1+f.rng.IntN(2)]
		}
		w.openRecall(r, true)
		f.signed = append(f.signed, at)
		for range 8 {
			l := at.Add(time.Duration(f.rng.IntN(40*24*60)) * time.Minute)
			if !l.Before(today) {
				continue
			}
			if _, err := w.release(r.ID, f.units[f.rng.IntN(len(f.units))].ID, l); err == nil {
				f.signed = append(f.signed, l)
			} else if !errs.Is(err, "NOT_FOUND") && !errs.Is(err, "RECALL_UNIT_NOT_HELD") {
				w.t.Fatal(err)
			}
		}
		if end := at.Add(time.Duration(f.rng.IntN(60*24*60)) * time.Minute); f.rng.IntN(2) == 0 && end.Before(today) {
			if err := w.endRecall(r.ID, true, end); err != nil {
				w.t.Fatal(err)
			}
			f.signed = append(f.signed, end)
		}
	}
}

// states returns where the units of a recall stand, by tag.
func (w *world) states(id string, at time.Time) map[string]compliance.RecallState {
	w.t.Helper()
	out := map[string]compliance.RecallState{}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		var after *compliance.RecalledKey
		for {
			units, more, err := r.RecalledUnits(ctx, compliance.RecalledQuery{Recall: id, At: at, After: after, Limit: 3})
			if err != nil {
				return err
			}
			for i := range units {
				key := units[i].Key()
				if after != nil && key.Compare(*after) <= 0 {
					w.t.Errorf("%v comes after %v", key, *after)
				}
				after = &key
				out[units[i].Tag] = units[i].State
			}
			if !more {
				return nil
			}
		}
	})
	return out
}

// TestRecallIsSeenThrough takes a recall from its preview to its end: what it covers is held, a late arrival too, until remedied, released or
// withdrawn; and it is closed when it holds nothing any more.
func TestRecallIsSeenThrough(t *testing.T) {
	t.Parallel()
	w, f := builtFleet(t, 40, 300)
	f.rng = seed(t)
	c := due.Recall{ID: "seats", Title: "Seats of a lot", Scope: due.Scope{Kinds: []string{"bcd"}}, Blocks: due.HandOut, RemediedBy: []string{"seat-replacement"}, Opened: today}
	var covered []compliance.RecalledUnit
	w.read(func(ctx context.Context, r *compliancepg.Reader) (err error) {
		covered, err = r.Covered(ctx, &c, today)
		return err
	})
	if len(covered) < 4 {
		t.Fatalf("only %d units covered", len(covered))
	}
	w.openRecall(c, true)
	states := w.states("seats", today)
	inFleet := 0
	for _, s := range states {
		if s == compliance.RecallHeld {
			inFleet++
		}
	}
	if inFleet != len(covered) {
		t.Errorf("%d units are held, %d were to be", inFleet, len(covered))
	}
	for _, u := range covered {
		if states[u.Tag] != compliance.RecallHeld {
			t.Errorf("%s: state %d", u.Tag, states[u.Tag])
		}
	}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		for _, u := range covered {
			sets, err := r.Derive(ctx, []uuid.UUID{u.Unit}, today, time.Time{})
			if err != nil {
				return err
			}
			if sets[0].Stand(today).MayHandOut {
				t.Errorf("%s may be handed out", u.Tag)
			}
		}
		return nil
	})
	if err := w.endRecall("seats", false, today); !errs.Is(err, "RECALL_UNITS_HELD") {
		t.Errorf("closed with units held: %v", err)
	}
	// The first is remedied, the second released, the others too but one, which leaves the fleet with a remedy later.
	at := today.Add(time.Hour)
	remedy := func(u compliance.RecalledUnit, at time.Time) {
		f.history = append(f.history, compliance.Change{Number: int64(len(f.history) + 1), Entry: &due.Entry{
			ID: f.id(), Unit: u.Unit, Kind: due.Work, Activities: []string{"seat-replacement"}, Outcome: due.Pass, Occurred: at, Recorded: at,
		}})
		w.apply(f)
	}
	remedy(covered[0], at)
	if got, err := w.release("seats", covered[1].Unit, at); err != nil || got.State != compliance.RecallReleased || got.LiftReason != "another lot" || got.Lifter != "chain" {
		t.Errorf("%+v, %v", got, err)
	}
	if _, err := w.release("seats", covered[1].Unit, at); !errs.Is(err, "RECALL_UNIT_NOT_HELD") {
		t.Errorf("released twice: %v", err)
	}
	if _, err := w.release("seats", covered[0].Unit, at); !errs.Is(err, "RECALL_UNIT_NOT_HELD") {
		t.Errorf("released after its remedy: %v", err)
	}
	if _, err := w.release("seats", uuid.New(), at); !errs.Is(err, "NOT_FOUND") {
		t.Errorf("released what is not covered: %v", err)
	}
	states = w.states("seats", at)
	if states[covered[0].Tag] != compliance.RecallRemedied || states[covered[1].Tag] != compliance.RecallReleased || states[covered[2].Tag] != compliance.RecallHeld {
		t.Errorf("states %v", states)
	}
	for _, u := range covered[2:] {
		remedy(u, at)
	}
	if err := w.endRecall("seats", false, at.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if err := w.endRecall("seats", false, at.Add(time.Hour)); !errs.Is(err, "RECALL_ENDED") {
		t.Errorf("closed twice: %v", err)
	}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		rec, p, err := r.Recall(ctx, "seats", at.Add(2*time.Hour))
		want := compliance.RecallProgress{Remedied: int64(len(covered) - 1), Released: 1, Retired: int64(len(states) - len(covered))}
		if d := cmp.Diff(want, p); d != "" || rec.Withdrawn || rec.Ended.IsZero() {
			t.Errorf("%+v\n%s", rec, d)
		}
		return err
	})
	// A remedy that is taken back holds the unit again, closed or not: nothing else says that it was done.
	last := f.history[len(f.history)-1].Entry
	f.history = append(f.history, compliance.Change{Number: int64(len(f.history) + 1), Entry: &due.Entry{
		ID: f.id(), Unit: last.Unit, Kind: due.Amendment, Occurred: at, Recorded: at, Corrects: last.ID,
	}})
	w.apply(f)
	held := 0
	for _, s := range w.states("seats", at.Add(2*time.Hour)) {
		if s == compliance.RecallHeld {
			held++
		}
	}
	if held != 1 {
		t.Errorf("%d held after a remedy was amended away", held)
	}
	if err := w.endRecall("seats", true, at.Add(3*time.Hour)); err != nil {
		t.Fatal(err)
	}
	withdrawn := 0
	for _, s := range w.states("seats", at.Add(4*time.Hour)) {
		if s == compliance.RecallWithdrawn {
			withdrawn++
		}
	}
	if withdrawn == 0 {
		t.Error("nothing is free after the withdrawal")
	}
	if err := w.endRecall("seats", true, at.Add(5*time.Hour)); !errs.Is(err, "RECALL_ENDED") {
		t.Errorf("withdrawn twice: %v", err)
	}
	if err := w.endRecall("nothing", true, at); !errs.Is(err, "NOT_FOUND") {
		t.Errorf("ended what is not there: %v", err)
	}
}

// TestRecallsAreKept: the runtime role may neither delete a recall or a release nor change what they say.
func TestRecallsAreKept(t *testing.T) {
	t.Parallel()
	w, _ := builtFleet(t, 10, 20)
	for _, sql := range []string{
		`delete from recalls`, `update recalls set body = ''`, `update recalls set opened = now()`, `truncate recalls`, `delete from recall_releases`, `update recall_releases set reason = ''`,
	} {
		conn, err := pgx.Connect(t.Context(), w.data.DSN())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Exec(t.Context(), `set role strandline_compliance; set search_path = compliance; set strandline.org = '`+org.UUID.String()+`'; `+sql); err == nil {
			t.Errorf("%s was let through", sql)
		}
		_ = conn.Close(t.Context())
	}
}
