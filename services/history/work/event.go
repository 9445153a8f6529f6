package work

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/order/wire"
)

// Event is something that happened to an order.
type Event struct {
	wire.Said
	Detail *historypb.OrderEvent // its detail alone
	Row    *history.Row          // of the ledger; nil while it is not in there
	Event  order.Event
}

// encoding is that of what the ledger keeps: the fields in the order of their numbers.
var encoding = proto.MarshalOptions{Deterministic: true}

// entry writes the event as an entry.
func (e *Event) entry(order uuid.UUID) (history.Entry, error) {
	content, err := encoding.Marshal(e.Detail)
	if err != nil {
		return history.Entry{}, errs.New(errs.Internal, "INTERNAL", "an event cannot be encoded").Because(err)
	}
	return history.Entry{
		ID: e.ID, Unit: e.Unit, Occurred: e.Occurred, Shop: e.Shop, Technician: e.By, Note: e.Note,
		Detail: history.Detail{Order: &history.OrderEvent{Order: order, Content: content}},
	}, nil
}

// Message writes the event as it is sent and told.
func (e *Event) Message(org tenant.Org) *historypb.OrderEvent {
	p := proto.CloneOf(e.Detail)
	p.EventId, p.OccurredTime, p.Technician, p.Note = e.ID.String(), stamp(e.Occurred), resname.TechnicianName(org, e.By), e.Note
	return p
}

// same says whether two events are the same as their client said them.
func (e *Event) same(o *Event) bool {
	return e.Occurred.Equal(o.Occurred) && e.By == o.By && e.Note == o.Note && proto.Equal(told(e.Detail), told(o.Detail))
}

// told returns what the client says of a detail, without what the ledger adds.
func told(p *historypb.OrderEvent) *historypb.OrderEvent {
	switch {
	case p.GetTestMade() != nil:
		p = proto.CloneOf(p)
		t := p.GetTestMade()
		t.Instruments, t.Judgement, t.Si = nil, nil, nil
	case p.GetSigned() != nil:
		p = proto.CloneOf(p)
		p.GetSigned().Qualification = nil
	case p.GetOpened() != nil:
		p = proto.CloneOf(p)
		o := p.GetOpened()
		o.Activities, o.Kind, o.Model, o.Purpose = nil, "", "", ""
	}
	return p
}

// known is what the ledger holds of an order.
type known struct {
	events    []*Event
	byID      map[uuid.UUID]*Event
	performed []performed // by occurrence
}

// performed is a service or test of the order that passed.
type performed struct {
	at         time.Time
	activities []string
}

// read reads the rows of an order.
func read(org tenant.Org, rows []*history.Row) (*known, error) {
	k := &known{byID: make(map[uuid.UUID]*Event, len(rows))}
	for _, r := range rows {
		e, err := r.Entry()
		if err != nil {
			return nil, damaged(org, r, err)
		}
		if e.Order == nil {
			for _, w := range []*history.Work{e.Service, e.Test} {
				if w != nil && w.Outcome == history.Pass {
					k.performed = append(k.performed, performed{e.Occurred, w.Activities})
				}
			}
			continue
		}
		ev := &Event{Said: wire.Said{ID: e.ID, Occurred: e.Occurred, By: e.Technician, Note: e.Note, Unit: e.Unit, Shop: e.Shop}, Detail: &historypb.OrderEvent{}, Row: r}
		if err := proto.Unmarshal(e.Order.Content, ev.Detail); err != nil {
			return nil, damaged(org, r, err)
		}
		var problems []errs.Violation
		if ev.Event, problems = wire.Event(org, ev.Said, ev.Detail); len(problems) > 0 {
			return nil, damaged(org, r, fmt.Errorf("%s: %s", problems[0].Field, problems[0].Description))
		}
		k.events, k.byID[ev.ID] = append(k.events, ev), ev
	}
	return k, nil
}

func damaged(org tenant.Org, r *history.Row, err error) error {
	name := resname.EntryName(org, r.Unit, r.ID)
	return errs.New(errs.DataLoss, "LEDGER_DAMAGED", "the ledger is damaged: "+name+" cannot be read", "entry", name).Because(err)
}

// fold returns the order that events make.
func fold(events []*Event) order.Order {
	es := make([]order.Event, len(events))
	for i, e := range events {
		es[i] = e.Event
	}
	return order.Fold(es)
}

// byTime sorts events by when they happened.
func byTime(events []*Event) {
	slices.SortStableFunc(events, func(a, b *Event) int {
		return cmp.Or(a.Occurred.Compare(b.Occurred), slices.Compare(a.ID[:], b.ID[:]))
	})
}
