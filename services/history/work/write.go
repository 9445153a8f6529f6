package work

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/procedure"
)

// Opening is what an order is opened with. The id of the order is that of the event.
type Opening struct {
	Org       tenant.Org
	Recorder  string
	Unit      uuid.UUID
	Shop      string // empty: where the unit is
	Procedure string
	Revision  int // 0: the last
	Event     *historypb.OrderEvent
	Dry       bool
}

// Open opens an order.
func (d *Desk) Open(ctx context.Context, o Opening) (*Result, error) {
	id, _ := uuid.Parse(o.Event.GetEventId())
	p, err := d.procedures.Procedure(ctx, o.Org, o.Procedure, o.Revision)
	if err != nil {
		return nil, err
	}
	asked, err := d.ledger.Ask(ctx, o.Org, nil, o.Unit)
	if err != nil {
		return nil, err
	}
	unit, ok := asked.Unit(o.Unit)
	if !ok {
		return nil, errs.Missing(resname.UnitName(o.Org, o.Unit))
	}
	if !unit.Retired.IsZero() {
		return nil, errs.New(errs.Precondition, "UNIT_RETIRED", "the unit was retired and is not worked on any more", "unit", resname.UnitName(o.Org, o.Unit))
	}
	a := &attempt{d: d, org: o.Org, record: o.Recorder, id: id, dry: o.Dry, unit: o.Unit, shop: o.Shop}
	if a.shop == "" {
		a.shop = unit.Shop()
	}
	said := o.Event.GetOpened()
	said.Procedure, said.Revision, said.Purpose, said.Activities, said.Kind, said.Model = p.ID, int32(p.Revision), p.Purpose, p.Activities, unit.Kind, unit.Model
	if !p.Covers(unit.Kind, unit.Model) {
		return nil, errs.New(errs.Precondition, "ORDER_OTHER_KIND", fmt.Sprintf("%s is not for a %s of the model %s: choose a procedure that is", p.ID, unit.Kind, unit.Model),
			"procedure", p.ID, "kind", unit.Kind, "model", unit.Model, "resource", resname.UnitName(o.Org, o.Unit))
	}
	a.add("", o.Event)
	if err := a.check(ctx, p.ID, p.Revision); err != nil {
		return nil, err
	}
	return a.write(ctx, func(ctx context.Context, tx history.Tx) error {
		if len(a.fresh) == 0 {
			return nil
		}
		if open, err := tx.OpenOrder(ctx, a.unit, p.Purpose); err != nil || open != uuid.Nil {
			if err == nil {
				err = errs.New(errs.Precondition, "ORDER_ALREADY_OPEN", fmt.Sprintf("the unit has an open order for %s, %s: work on that one, or close it", p.Purpose, resname.OrderName(a.org, open)),
					"resource", resname.OrderName(a.org, open), "purpose", p.Purpose, "unit", resname.UnitName(a.org, a.unit))
			}
			return err
		}
		return nil
	})
}

// begin reads which order a request is about.
func (d *Desk) begin(ctx context.Context, r Request) (a *attempt, opened *order.Opened, err error) {
	row, err := d.store.Opening(ctx, r.Org, r.Order)
	if err != nil {
		return nil, nil, err
	}
	k, err := read(r.Org, []*history.Row{&row})
	if err != nil {
		return nil, nil, err
	}
	if len(k.events) != 1 || k.events[0].Event.Opened == nil {
		return nil, nil, errs.Missing(resname.OrderName(r.Org, r.Order))
	}
	a = &attempt{d: d, org: r.Org, record: r.Recorder, id: r.Order, dry: r.Dry, unit: row.Unit, shop: row.Shop}
	for i, p := range r.Events {
		at := fmt.Sprintf("events[%d].", i)
		switch {
		case p.GetOpened() != nil, p.GetSigned() != nil, p.GetClosed() != nil:
			a.bad = append(a.bad, errs.Violation{Field: at + "detail", Description: "an order is opened, signed and closed by calls of their own: OpenOrder, SignOrder, CloseOrder"})
			a.field, a.sent = append(a.field, at), append(a.sent, &Event{})
		default:
			a.add(at, p)
		}
	}
	return a, k.events[0].Event.Opened, nil
}

// Record writes what happened.
func (d *Desk) Record(ctx context.Context, r Request) (*Result, error) {
	a, o, err := d.begin(ctx, r)
	if err != nil {
		return nil, err
	}
	if err := a.check(ctx, o.Procedure, o.Revision); err != nil {
		return nil, err
	}
	return a.write(ctx, nil)
}

// Close closes an order. The event says why.
func (d *Desk) Close(ctx context.Context, r Request, event *historypb.OrderEvent) (*Result, error) {
	a, o, err := d.begin(ctx, r)
	if err != nil {
		return nil, err
	}
	a.add("", event)
	if err := a.check(ctx, o.Procedure, o.Revision); err != nil {
		return nil, err
	}
	return a.write(ctx, func(context.Context, history.Tx) error {
		so := fold(a.known.events)
		if len(a.fresh) > 0 && so.Signature == nil && event.GetClosed().GetReason() == "" {
			return errs.Field("reason", "", "the order was not signed: say why it is closed")
		}
		return nil
	})
}

// Sign signs an order. The event says what for.
func (d *Desk) Sign(ctx context.Context, r Request, event *historypb.OrderEvent) (*Result, error) {
	a, o, err := d.begin(ctx, r)
	if err != nil {
		return nil, err
	}
	a.add("", event)
	if err := a.check(ctx, o.Procedure, o.Revision); err != nil {
		return nil, err
	}
	return a.write(ctx, func(ctx context.Context, tx history.Tx) error {
		signature := a.sent[len(a.sent)-1]
		if signature.Row != nil { // a repeat
			return nil
		}
		unsigned := slices.DeleteFunc(slices.Clone(a.all), func(e *Event) bool { return e == signature })
		t := a.world.technicians[signature.By]
		f := order.Facts{Signer: signature.By, At: signature.Occurred, Zone: a.world.place.Zone, Jurisdiction: a.world.place.Jurisdiction, Outcome: signature.Event.Signed.Outcome}
		day := civil.In(f.At, f.Zone)
		for _, q := range t.Qualifications {
			f.Qualifications = append(f.Qualifications, q.Qualification)
			if said := signature.Detail.GetSigned(); said.Qualification == nil && q.For(a.world.procedure.Qualification, o.Kind) && q.Covers(day) {
				q.Message.Person = t.Name
				said.Qualification = q.Message
			}
		}
		if a.ready, err = ready(ctx, tx, a.org, unsigned, a.world.procedure, f); err != nil {
			return err
		}
		blocking := order.Blocking(a.ready)
		if len(blocking) == 0 {
			return nil
		}
		e := errs.New(errs.Precondition, "ORDER_NOT_READY", keeps(len(blocking))+" the order from being signed: "+blocking[0].Text,
			"resource", resname.OrderName(a.org, a.id), "problemCount", fmt.Sprint(len(blocking)))
		for _, p := range blocking {
			e.Violations = append(e.Violations, errs.Violation{Field: where(p), Description: p.Text, Reason: string(p.Reason)})
		}
		return e
	})
}

// keeps begins the sentence of what keeps an order from being signed.
func keeps(n int) string {
	if n == 1 {
		return "one thing keeps"
	}
	return fmt.Sprintf("%d things, of which this is the first, keep", n)
}

// where says what a problem is about.
func where(p order.Problem) string {
	for _, w := range []struct{ kind, id string }{{"steps/" + p.Step + "/bounds", p.Bound}, {"tests", p.Test}, {"parts", p.Part}, {"steps", p.Step}} {
		if w.id != "" {
			return w.kind + "/" + w.id
		}
	}
	return "order"
}

// ready asks whether an order can be signed, with what is known by now of the instruments and lots.
func ready(ctx context.Context, tx history.Bench, org tenant.Org, events []*Event, p *procedure.Procedure, f order.Facts) ([]order.Problem, error) {
	of, err := calibrations(ctx, tx, used(org, events))
	if err != nil {
		return nil, err
	}
	doubt(org, of, events)
	o := fold(events)
	var ids []string
	for _, part := range o.Parts {
		ids = slices.AppendSeq(ids, maps.Keys(part.Lots))
	}
	lots, err := tx.Lots(ctx, ids)
	if err != nil {
		return nil, err
	}
	f.Lots = make(map[string]order.Lot, len(lots))
	for id, l := range lots {
		f.Lots[id] = order.Lot{Part: l.Part, Expires: l.Expires}
	}
	return order.Ready(&o, p, f), nil
}

// write puts what is new into the ledger, unless more refuses it with the order settled.
func (a *attempt) write(ctx context.Context, more func(ctx context.Context, tx history.Tx) error) (*Result, error) {
	// Ids that are in use by entries of others are so rare that it is not asked before: the database refuses them, and then it is.
	r, err := a.once(ctx, nil, more)
	if e := errs.As(err); e != nil && e.Kind == errs.Conflict && e.Reason == history.ErrIDInUse.Reason {
		ids := make([]uuid.UUID, len(a.sent))
		for i, e := range a.sent {
			ids[i] = e.ID
		}
		return a.once(ctx, ids, more)
	}
	return r, err
}

// once is write, with the ids that are asked for.
func (a *attempt) once(ctx context.Context, ids []uuid.UUID, more func(ctx context.Context, tx history.Tx) error) (*Result, error) {
	_, err := a.d.ledger.Compose(ctx, a.org, a.record, a.dry, ids, func(ctx context.Context, tx history.Tx, used history.Found) (c history.Composition, err error) {
		if err = a.settle(ctx, tx, used); err != nil {
			return c, err
		}
		before := fold(a.known.events)
		if err = a.admit(&before); err != nil {
			return c, err
		}
		if err = a.judge(ctx, tx); err != nil {
			return c, err
		}
		if more != nil {
			if err = more(ctx, tx); err != nil {
				return c, err
			}
		}
		return a.compose()
	})
	if err != nil {
		return nil, err
	}
	r := &Result{Job: Job{ID: a.id, Unit: a.unit, Shop: a.shop, Order: fold(a.all), Events: a.all, Procedure: a.world.procedure}, Sent: a.sent, Flags: a.ready, Follow: a.follow, Already: len(a.fresh) == 0}
	for _, e := range a.sent {
		r.Last = max(r.Last, e.Row.Sequence)
	}
	for _, f := range a.follow {
		r.Last = max(r.Last, f.Sequence)
	}
	return r, nil
}

// judge judges the fresh tests.
func (a *attempt) judge(ctx context.Context, tx history.Bench) error {
	of, err := calibrations(ctx, tx, used(a.org, a.fresh))
	if err != nil {
		return err
	}
	for i, e := range a.sent {
		if e.Row != nil || e.Event.Tested == nil {
			continue
		}
		bad, err := a.world.judge(a.org, of, e)
		if err != nil {
			return err
		}
		for _, v := range bad {
			a.violation(i, v)
		}
	}
	if len(a.bad) > 0 {
		return errs.Fields(a.bad...)
	}
	return nil
}
