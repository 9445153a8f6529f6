package history

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
)

// ActivityCalibration is the activity of a test that says how well an instrument reads.
const ActivityCalibration = "calibration"

// ConditionSuspect is the condition of units that were tested with an instrument that is now known to have read wrongly.
const ConditionSuspect = "suspect-instrument"

// Calibration is a calibration of an instrument, as amended.
type Calibration struct {
	Entry    uuid.UUID
	Occurred time.Time
	*Work
}

// Calibrations returns the calibrations in rows of tests and amendments, by instrument and instant. Of several amendments of one entry the one that occurred
// last holds, and of those the one with the greatest id.
func Calibrations(rows []*Row) (map[uuid.UUID][]Calibration, error) {
	type amendment struct {
		row  *Row
		what *Amendment
	}
	amended := map[uuid.UUID]amendment{}
	entries := make([]Entry, len(rows))
	for i, r := range rows {
		e, err := ParseBody(r.Body)
		if err != nil {
			return nil, err
		}
		entries[i] = e
		if e.Amendment == nil {
			continue
		}
		a, ok := amended[e.Amendment.Corrects]
		if !ok || cmp.Or(r.Occurred.Compare(a.row.Occurred), slices.Compare(r.ID[:], a.row.ID[:])) > 0 {
			amended[e.Amendment.Corrects] = amendment{r, e.Amendment}
		}
	}
	out := map[uuid.UUID][]Calibration{}
	add := func(r *Row, at time.Time, w *Work) {
		if w != nil && w.Activities[0] == ActivityCalibration {
			out[r.Unit] = append(out[r.Unit], Calibration{r.ID, at, w})
		}
	}
	for i, r := range rows {
		if entries[i].Amendment == nil && amended[r.ID].what == nil {
			add(r, r.Occurred, entries[i].Test)
		}
	}
	for target, a := range amended {
		if c := a.what.Replacement; c != nil {
			add(&Row{Unit: a.row.Unit, ID: target}, c.Occurred, c.Test)
		}
	}
	for _, of := range out {
		slices.SortFunc(of, func(a, b Calibration) int {
			return cmp.Or(a.Occurred.Compare(b.Occurred), slices.Compare(a.Entry[:], b.Entry[:]))
		})
	}
	return out, nil
}

// AsOf returns the last calibration of an instrument that passed, at or before an instant, nil if there is none or a later one up to it reached no verdict; and
// the one that found it out of tolerance: the last before the instant or the first after it, nil if neither did. What it read between its last good calibration and that one cannot be
// relied on.
func AsOf(of []Calibration, at time.Time) (good, wrong *Calibration) {
	for i := range of {
		c := &of[i]
		switch {
		case !c.Occurred.After(at) && c.Outcome == Pass:
			good, wrong = c, nil
		case !c.Occurred.After(at) && c.Outcome == Inconclusive:
			good = nil
		case !c.Occurred.After(at):
			wrong = c
		case c.Outcome == Pass:
			return good, wrong
		case c.Outcome != Inconclusive && wrong == nil:
			return good, c
		}
	}
	return good, wrong
}

// suspects returns, for every calibration among fresh rows that finds an instrument out of tolerance, conditions that pull the units that were tested with it since
// its last good calibration: of every unit and activity at its last such test, or where that was signed for at the signature, so that only a later test lifts
// the hold. Calibrations that are written down by an amendment count like others.
func suspects(ctx context.Context, tx Bench, org tenant.Org, recorder string, fresh []*Row) (out []*Row, err error) {
	var ids []uuid.UUID
	var found []Calibration
	for _, r := range fresh {
		if r.Kind != KindTest && r.Kind != KindAmendment {
			continue
		}
		e, err := ParseBody(r.Body)
		if err != nil {
			return nil, err
		}
		c := Calibration{r.ID, r.Occurred, e.Test}
		if a := e.Amendment; a != nil && a.Replacement != nil {
			c = Calibration{r.ID, a.Replacement.Occurred, a.Replacement.Test}
		}
		if c.Work != nil && c.Activities[0] == ActivityCalibration && (c.Outcome == Fail || c.Outcome == Condemned) {
			ids, found = append(ids, r.Unit), append(found, c)
		}
	}
	if len(found) == 0 {
		return nil, nil
	}
	rows, err := tx.TestsOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	known, err := Calibrations(rows)
	if err != nil {
		return nil, err
	}
	for i, c := range found {
		var from time.Time
		for _, k := range known[ids[i]] {
			if k.Outcome == Pass && k.Occurred.Before(c.Occurred) {
				from = k.Occurred
			}
		}
		uses, err := tx.LastUses(ctx, ids[i], from, c.Occurred)
		if err != nil {
			return nil, err
		}
		for _, u := range uses {
			out = append(out, suspect(org, recorder, ids[i], c, u))
		}
	}
	return out, nil
}

// suspect is the condition of one unit.
func suspect(org tenant.Org, recorder string, instrument uuid.UUID, c Calibration, u InstrumentUse) *Row {
	at := u.Occurred
	if u.Signed.After(at) {
		at = u.Signed
	}
	e := Entry{
		ID: Derived(c.Entry, "suspect", u.Unit.String(), u.Activity), Unit: u.Unit, Occurred: at, Shop: u.Shop,
		Note: fmt.Sprintf("The instrument %s was found out of tolerance at %s (%s). It made the %s of this unit at %s (%s), and no good calibration of it lies between: make that test again with another.",
			unitName(org, instrument), instant(c.Occurred), entryName(org, instrument, c.Entry), u.Activity, instant(u.Occurred), entryName(org, u.Unit, u.Entry)),
		Detail: Detail{Condition: &Condition{Condition: ConditionSuspect, Severity: Pull, ClearedBy: []string{u.Activity}}},
	}
	return NewRow(recorder, &e)
}

// NewRow returns the row of an entry whose shop is known, without what the ledger gives it.
func NewRow(recorder string, e *Entry) *Row {
	return &Row{ID: e.ID, Unit: e.Unit, Shop: e.Shop, Kind: e.Kind(), Occurred: e.Occurred, Corrects: corrects(&e.Detail), Order: orderOf(&e.Detail), Recorder: recorder, Body: AppendBody(nil, e)}
}

// derived is the namespace of the ids of entries that follow from others.
var derived = uuid.MustParse("5b0d6c7e-5f0e-4a52-9a43-3d1f9e0b7c11")

// Derived returns the id of an entry that follows from another: the version 5 UUID (RFC 9562) of that one's id and some words.
func Derived(from uuid.UUID, words ...string) uuid.UUID {
	name := append([]byte(nil), from[:]...)
	for _, w := range words {
		name = append(append(name, 0), w...)
	}
	return uuid.NewSHA1(derived, name)
}
