package work

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/order/wire"
)

// Request is what is to be written of an order.
type Request struct {
	Org      tenant.Org
	Recorder string
	Order    uuid.UUID
	Events   []*historypb.OrderEvent // work that is recorded
	Dry      bool
}

// Result is what became of a request.
type Result struct {
	Job
	Sent    []*Event        // the events of the request and then the signature, closing or opening, as the ledger has them
	Flags   []order.Problem // of a signature: what does not keep the order from being signed
	Follow  []*history.Row  // entries that say what was performed
	Last    int64           // greatest sequence among all of it
	Already bool            // nothing was new
}

// attempt is a request on its way.
type attempt struct {
	d      *Desk
	org    tenant.Org
	record string // who records
	id     uuid.UUID
	dry    bool

	unit  uuid.UUID
	shop  string
	sent  []*Event
	field []string // of each event in the request, with a dot at its end
	bad   []errs.Violation
	world *world

	// What the ledger said, with it locked.
	known  *known
	fresh  []*Event
	all    []*Event // known and fresh, by when they happened
	ready  []order.Problem
	follow []*history.Row
}

func (a *attempt) violation(i int, v errs.Violation) {
	v.Field = a.field[i] + v.Field
	a.bad = append(a.bad, v)
}

// add reads an event of the request.
func (a *attempt) add(field string, p *historypb.OrderEvent) {
	i := len(a.sent)
	a.field = append(a.field, field)
	e := &Event{Detail: &historypb.OrderEvent{Detail: p.GetDetail()}, Said: wire.Said{Unit: a.unit, Shop: a.shop, Note: p.GetNote()}}
	a.sent = append(a.sent, e)
	id, err := uuid.Parse(p.GetEventId())
	if err != nil || id == uuid.Nil || id.String() != p.GetEventId() {
		a.violation(i, errs.Violation{Field: "event_id", Value: p.GetEventId(), Description: "want a UUID of your choosing in small letters, the same whenever the event is sent again"})
	}
	e.ID = id
	if t := p.GetOccurredTime(); t == nil || t.CheckValid() != nil {
		a.violation(i, errs.Violation{Field: "occurred_time", Value: t.String(), Description: "want when it happened, RFC 3339 in UTC"})
	} else {
		e.Occurred = t.AsTime().Truncate(time.Microsecond)
	}
	if e.By, err = resname.Part(a.org, "technician", p.GetTechnician(), "technicians"); err != nil {
		a.violation(i, errs.Violation{Field: "technician", Value: p.GetTechnician(), Description: "want who did it: " + a.org.Name() + "/technicians/{technician}"})
	}
	var bad []errs.Violation
	if e.Event, bad = wire.Event(a.org, e.Said, e.Detail); len(bad) == 0 {
		_, bad = instruments(a.org, e.Detail.GetTestMade())
	}
	for _, v := range bad {
		a.violation(i, v)
	}
}

// people returns who is named in the request, and in which field first.
func (a *attempt) people() map[string]string {
	out := map[string]string{}
	note := func(id, field string) {
		if _, ok := out[id]; !ok && id != "" {
			out[id] = field
		}
	}
	for i, e := range a.sent {
		note(e.By, a.field[i]+"technician")
		if e.Event.Step != nil {
			note(e.Event.Step.Checked, a.field[i]+"step_done.checker")
		}
	}
	return out
}

// check asks what has to be asked of others, and holds the events against the procedure and the rules of the ledger.
func (a *attempt) check(ctx context.Context, id string, revision int) (err error) {
	p, err := a.d.procedures.Procedure(ctx, a.org, id, revision)
	if err != nil {
		return err
	}
	for i, e := range a.sent {
		for _, v := range e.Event.Check(p) {
			if v.Field == "tested.verdict" { // it is not the client's to say
				continue
			}
			v.Field = sent(v.Field)
			if !a.told(i, v.Field) {
				a.violation(i, v)
			}
		}
	}
	if len(a.bad) > 0 {
		return errs.Fields(a.bad...)
	}
	entries := make([]history.Entry, len(a.sent))
	for i, e := range a.sent {
		if entries[i], err = e.entry(a.id); err != nil {
			return err
		}
	}
	if a.world, err = a.d.look(ctx, a.org, a.shop, entries, used(a.org, a.sent), a.people()); err != nil {
		return err
	}
	a.world.procedure = p
	now := a.d.clock.Now()
	for i, e := range a.sent {
		for _, q := range a.world.asked.Judge(&entries[i], now) {
			a.violation(i, errs.Violation{Field: q.Field, Value: q.Value, Description: q.Description, Reason: q.Reason})
		}
		for n, r := range e.Detail.GetTestMade().GetReadings() {
			if r.GetInstrument() == "" {
				continue
			}
			id, _ := resname.Unit(a.org, "instrument", r.GetInstrument())
			if _, ok := a.world.asked.Unit(id); !ok {
				a.violation(i, errs.Violation{Field: fmt.Sprintf("test_made.readings[%d].instrument", n), Value: r.GetInstrument(), Description: "there is no such unit; register the instrument first", Reason: "NOT_FOUND"})
			}
		}
		a.calibration(i, e)
	}
	if len(a.bad) > 0 {
		return errs.Fields(a.bad...)
	}
	return nil
}

// messages are what the details of events are called in their message.
var messages = map[string]string{"step": "step_done", "checked": "step_checked", "moved": "part_moved", "tested": "test_made", "station": "station_work"}

// sent names a field of an event as its message does.
func sent(field string) string {
	detail, rest, ok := strings.Cut(field, ".")
	if name := messages[detail]; ok && name != "" {
		return name + "." + rest
	}
	return field
}

// told says whether a fault of a field was told already.
func (a *attempt) told(i int, field string) bool {
	return slices.ContainsFunc(a.bad, func(v errs.Violation) bool { return v.Field == a.field[i]+field })
}

// calibration holds what an instrument is said to be good for against the test that says so.
func (a *attempt) calibration(i int, e *Event) {
	made := e.Detail.GetTestMade()
	if made.GetCalibration() == nil {
		return
	}
	t := a.world.procedure.Test(made.GetTest())
	if t.Activity != history.ActivityCalibration {
		a.violation(i, errs.Violation{Field: "test_made.calibration", Value: t.Activity, Description: "only a test of the activity calibration says what an instrument is good for; leave it out"})
		return
	}
	for _, v := range wire.Calibration(made.GetCalibration()) {
		v.Field = "test_made.calibration." + v.Field
		a.violation(i, v)
	}
}

// settle reads the order, with the ledger locked, and tells new events from repeats.
func (a *attempt) settle(ctx context.Context, tx history.Tx, used history.Found) (err error) {
	rows, err := tx.OrderRows(ctx, a.id)
	if err != nil {
		return err
	}
	if a.known, err = read(a.org, rows); err != nil {
		return err
	}
	a.bad, a.fresh, a.follow, a.ready = nil, nil, nil, nil
	a.all = slices.Clone(a.known.events)
	seen := make(map[uuid.UUID]*Event, len(a.sent))
	for i, e := range a.sent {
		have := a.known.byID[e.ID]
		if have == nil {
			have = seen[e.ID]
		}
		if have == nil {
			e.Row = nil
			seen[e.ID] = e
			if used.Rows[e.ID] != nil {
				a.reused(i, e.ID)
				continue
			}
			a.fresh, a.all = append(a.fresh, e), append(a.all, e)
			continue
		}
		if !have.same(e) {
			a.reused(i, e.ID)
			continue
		}
		a.sent[i] = have
	}
	if len(a.bad) > 0 {
		return errs.Fields(a.bad...)
	}
	byTime(a.all)
	return nil
}

func (a *attempt) reused(i int, id uuid.UUID) {
	a.violation(i, errs.Violation{Field: "event_id", Value: id.String(), Description: "the id is in use by an entry with other content; give every event an id of its own, and correct a mistake by withdrawing it", Reason: "ENTRY_ID_REUSED"})
}

// admit refuses events that the order does not take as it stands.
func (a *attempt) admit(o *order.Order) error {
	for i, e := range a.sent {
		if e.Row != nil {
			continue
		}
		if o.Opening != nil && e.Event.Opened == nil && e.Occurred.Before(o.OpenedAt) {
			a.violation(i, errs.Violation{Field: "occurred_time", Value: e.Occurred.Format(time.RFC3339Nano), Description: "lies before the order was opened (" + o.OpenedAt.UTC().Format(time.RFC3339) + "); say when it happened", Reason: "ORDER_OF_EVENTS"})
			continue
		}
		var how string
		var at time.Time
		switch {
		case o.Closing != nil:
			how, at = "closed", o.Closing.At
		case o.Signature != nil && e.Event.Closed == nil:
			how, at = "signed", o.Signature.At
		default:
			continue
		}
		if o.Signature != nil && e.Event.Tested != nil && e.Occurred.Before(o.Signature.At) {
			continue // late, and if it failed the unit must be held for it
		}
		return errs.New(errs.Precondition, "ORDER_NOT_OPEN", fmt.Sprintf("the order was %s at %s and takes no more: open another one for what is still to be done", how, at.UTC().Format(time.RFC3339)),
			"resource", resname.OrderName(a.org, a.id), "ended", how, "time", at.UTC().Format(time.RFC3339), "event", e.ID.String())
	}
	if len(a.bad) > 0 {
		return errs.Fields(a.bad...)
	}
	return nil
}
