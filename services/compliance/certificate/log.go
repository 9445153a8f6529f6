package certificate

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// Log is what the ledger has of one order.
type Log struct {
	unit      string
	opening   *historypb.OrderEvent
	opened    *historypb.OrderOpened
	signature *historypb.OrderEvent
	events    []*historypb.OrderEvent          // by when they happened
	work      []*historypb.Entry               // what they performed, by when
	receipts  []*historypb.Receipt             // of all of it, by sequence
	byEntry   map[string]*historypb.Receipt    // likewise
	gone      map[string]*historypb.OrderEvent // by the id of an event: what withdrew it
}

// Read reads what entries of a unit say of an order. It fails without an opening and a signature.
func Read(o *historypb.Order, entries []*historypb.Entry) (*Log, error) {
	l := &Log{unit: o.GetUnit(), byEntry: map[string]*historypb.Receipt{}, gone: map[string]*historypb.OrderEvent{}}
	for _, e := range entries {
		switch {
		case e.GetOrderEvent().GetOrder() == o.GetName():
			l.add(e)
		case e.GetService().GetOrder() == o.GetName(), e.GetTest().GetOrder() == o.GetName():
			l.work = append(l.work, e)
		default:
			continue
		}
		r := &historypb.Receipt{Entry: e.GetName(), Sequence: e.GetSequence(), RecordedTime: e.GetRecordedTime(), Digest: e.GetDigest()}
		l.receipts, l.byEntry[e.GetName()] = append(l.receipts, r), r
	}
	slices.SortFunc(l.receipts, func(a, b *historypb.Receipt) int { return cmp.Compare(a.GetSequence(), b.GetSequence()) })
	slices.SortFunc(l.work, func(a, b *historypb.Entry) int {
		return cmp.Or(a.GetOccurredTime().AsTime().Compare(b.GetOccurredTime().AsTime()), cmp.Compare(a.GetSequence(), b.GetSequence()))
	})
	slices.SortFunc(l.events, func(a, b *historypb.OrderEvent) int {
		return cmp.Or(a.GetOccurredTime().AsTime().Compare(b.GetOccurredTime().AsTime()), strings.Compare(a.GetEventId(), b.GetEventId()))
	})
	for _, e := range l.events {
		switch {
		case e.GetOpened() != nil && l.opening == nil:
			l.opening, l.opened = e, e.GetOpened()
		case e.GetSigned() != nil && l.signature == nil:
			l.signature = e
		}
	}
	if l.opening == nil || l.signature == nil {
		return nil, fmt.Errorf("the entries of %s have no opening and no signature", o.GetName())
	}
	l.withdraw()
	return l, nil
}

// add adds an event with what the entry says of it.
func (l *Log) add(e *historypb.Entry) {
	ev := proto.CloneOf(e.GetOrderEvent())
	ev.EventId, ev.OccurredTime, ev.Technician, ev.Note = e.GetName()[strings.LastIndexByte(e.GetName(), '/')+1:], e.GetOccurredTime(), e.GetTechnician(), e.GetNote()
	l.events = append(l.events, ev)
}

// withdraw notes which events were withdrawn before the signature. A test is not undone: it is made again.
func (l *Log) withdraw() {
	can := map[string]bool{}
	for _, e := range l.events {
		can[e.GetEventId()] = e.GetTestMade() == nil && e.GetOpened() == nil && e.GetWithdrawn() == nil && e.GetSigned() == nil && e.GetClosed() == nil
	}
	for _, e := range l.events {
		if e == l.signature {
			return
		}
		if id := e.GetWithdrawn().GetEvent(); can[id] && l.gone[id] == nil {
			l.gone[id] = e
		}
	}
}

// stands says whether an event counts: it happened before the signature and was not withdrawn.
func (l *Log) stands(e *historypb.OrderEvent) bool { return l.gone[e.GetEventId()] == nil }

// entry names the entry of an event.
func (l *Log) entry(e *historypb.OrderEvent) string { return l.unit + "/entries/" + e.GetEventId() }

func (l *Log) receipt(e *historypb.OrderEvent) *historypb.Receipt { return l.byEntry[l.entry(e)] }

// Sequence returns where the last of it stands in the ledger.
func (l *Log) Sequence() int64 { return l.receipts[len(l.receipts)-1].GetSequence() }

// Signed returns when the order was signed.
func (l *Log) Signed() *historypb.OrderEvent { return l.signature }

// People returns the names of everybody who is named in it.
func (l *Log) People() []string {
	return distinct(l.events, func(e *historypb.OrderEvent, add func(string)) {
		add(e.GetTechnician())
		add(e.GetStepDone().GetChecker())
	})
}

// Instruments returns the names of the units that tests were made with.
func (l *Log) Instruments() []string {
	return distinct(l.events, func(e *historypb.OrderEvent, add func(string)) {
		for _, i := range e.GetTestMade().GetInstruments() {
			add(i.GetId())
		}
	})
}

// Lots returns the names of the lots that parts are from.
func (l *Log) Lots() []string {
	return distinct(l.events, func(e *historypb.OrderEvent, add func(string)) { add(e.GetPartMoved().GetLot()) })
}

// distinct returns what events name, sorted, each once.
func distinct(events []*historypb.OrderEvent, of func(*historypb.OrderEvent, func(string))) (out []string) {
	for _, e := range events {
		of(e, func(name string) {
			if name != "" {
				out = append(out, name)
			}
		})
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// Summary writes the certificate of an order that is listed in short; nil if the order was not signed.
func Summary(o *historypb.Order, procedure string) *compliancepb.CertificateSummary {
	if o.GetSignTime() == nil {
		return nil
	}
	return &compliancepb.CertificateSummary{
		Name: Name(o.GetName()), Unit: o.GetUnit(), Shop: o.GetShop(), Procedure: procedure, Revision: o.GetRevision(), Purpose: o.GetPurpose(),
		Outcome: o.GetOutcome(), SignTime: o.GetSignTime(), Signer: o.GetSigner(),
	}
}
