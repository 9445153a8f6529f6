package main

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// orderShape is what files of an order's events hold.
var orderShape = yamlproto.Shape{
	One: "list of events", Short: "file", Many: "lists of events", Begin: "events", Pair: "{key: value}",
	Examples: map[string]string{
		`^orgs/[a-z0-9-]{1,40}/orders/[0-9a-f-]{36}$`:           "orgs/reef/orders/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79",
		`^(orgs/[a-z0-9-]{1,40}/technicians/[a-z0-9-]{1,40})?$`: "mara or orgs/reef/technicians/mara",
		`^(orgs/[a-z0-9-]{1,40}/lots/[a-z0-9-]{1,60})?$`:        "seats-26-07 or orgs/reef/lots/seats-26-07",
		`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`:                  "inspect-seat",
		`^([a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?)?$`:               "inspect-seat",
		`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`:                  "bcd-inspection",
		`^[a-z][a-z0-9-]{0,47}$`:                                "hydrostatic-test",
		`^[a-z][a-z0-9_]{0,39}$`:                                "total_expansion",
		`^([0-9]{1,2}([.][0-9]{1,12})?)?$`:                      "1.5",
		`^[+-]?[0-9]{1,40}([.][0-9]{1,40})?$`:                   "2.24",
	},
	Texts: map[protoreflect.FullName]yamlproto.Text{"strandline.history.v1.Quantity": wire.Text},
}

// orderFile says how a file of events is read: what it means where it says nothing.
type orderFile struct {
	order string                 // full name
	by    string                 // full name of the technician; empty if none was given
	at    *timestamppb.Timestamp // nil if none was given
	now   time.Time
}

// readEvents reads a file ('-' for standard input) of what happened in an order. It prints what is wrong with it.
func (a *app) readEvents(ctx context.Context, c *clients, path string, f orderFile) ([]*historypb.OrderEvent, error) {
	label, raw, err := a.readFile(path, yamlproto.MaxFile)
	if err != nil {
		return nil, err
	}
	return a.parseEvents(ctx, c, label, raw, f)
}

// parseEvents is readEvents of a file that was read.
func (a *app) parseEvents(ctx context.Context, c *clients, label string, raw []byte, f orderFile) ([]*historypb.OrderEvent, error) {
	req := &historypb.RecordWorkRequest{}
	documents := 0
	problems := orderShape.Read(raw, func(d *yamlproto.Document) {
		if documents++; documents > 1 {
			d.Bad("", "", "the file has another list of events before it: put all of an order's events into one list")
			return
		}
		if !d.Decode(req) {
			return
		}
		f.complete(c, d, req)
		d.Validate(req)
	})
	if checked := (checkedFile{label, problems}); len(problems) > 0 {
		a.printProblems([]checkedFile{checked})
		return nil, problemsFound("INVALID_FIELD", checked)
	}
	if err := c.instruments(ctx, req.GetEvents()); err != nil {
		return nil, err
	}
	for _, e := range req.GetEvents() {
		if e.GetOccurredTime() == nil { // the only one
			e.OccurredTime = timestamp(f.now)
			a.talkf("It is taken to have happened now: to send it again as the same event, pass --at %s.", f.now.UTC().Format(time.RFC3339Nano))
		}
		if err := f.identify(e); err != nil {
			return nil, err
		}
	}
	return req.GetEvents(), nil
}

// complete writes into events what the command line says of all of them, and full names instead of ids.
func (f *orderFile) complete(c *clients, d *yamlproto.Document, req *historypb.RecordWorkRequest) {
	if name := req.GetName(); name != "" && name != f.order && c.Org.Name()+"/orders/"+name != f.order {
		d.Bad("name", name, "the file is of another order: name that one, or leave name out")
	}
	req.Name = f.order
	events := req.GetEvents()
	var at time.Time
	if f.at != nil {
		at = f.at.AsTime()
	}
	for i, e := range events {
		field := func(name string) string { return fmt.Sprintf("events[%d].%s", i, name) }
		if e.Technician = c.technician(e.GetTechnician()); e.GetTechnician() == "" {
			if e.Technician = f.by; f.by == "" {
				d.Bad(field("technician"), "", "must be set: state who did it, or pass --by")
			}
		}
		switch {
		case e.GetOccurredTime() != nil:
		case f.at != nil:
			// Those of one instant are kept in the order of the file.
			e.OccurredTime = timestamppb.New(at)
			at = at.Add(time.Microsecond)
		case len(events) > 1:
			d.Bad(field("occurred_time"), "", "must be set: state when it happened, such as 2026-06-05T09:30:00Z, or pass --at for those that state nothing")
		}
		if s := e.GetStepDone(); s != nil {
			s.Checker = c.technician(s.GetChecker())
		}
		if m := e.GetPartMoved(); m != nil {
			m.Lot = c.name("lots", m.GetLot())
		}
	}
}

// instruments puts the full names of instruments in the place of their tags.
func (c *clients) instruments(ctx context.Context, events []*historypb.OrderEvent) error {
	known := map[string]string{}
	for i, e := range events {
		for j, r := range e.GetTestMade().GetReadings() {
			tag := r.GetInstrument()
			if tag == "" || strings.HasPrefix(tag, "orgs/") {
				continue
			}
			if known[tag] == "" {
				u, err := c.unit(ctx, tag)
				if f := errs.As(err); f != nil {
					return errs.New(f.Kind, f.Reason, fmt.Sprintf("events[%d].test_made.readings[%d].instrument: %s", i, j, f.Message), "instrument", tag)
				}
				if err != nil {
					return err
				}
				known[tag] = u.GetName()
			}
			r.Instrument = known[tag]
		}
	}
	return nil
}

// identify gives an event without an id one that follows from the order and what the event says, so that the same file sent again is the same events.
func (f *orderFile) identify(e *historypb.OrderEvent) error {
	if e.EventId = strings.ToLower(e.GetEventId()); e.GetEventId() != "" {
		return nil
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	if err != nil {
		return err
	}
	order, err := uuid.Parse(lastID(f.order))
	if err != nil {
		return usagef("%q is not an order: its id is a UUID", f.order)
	}
	e.EventId = uuid.NewSHA1(order, content).String()
	return nil
}
