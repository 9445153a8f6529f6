package history

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Store keeps the ledgers, as far as taking and verifying entries goes; plain reading does not pass through here. Its errors are
// *errs.E.
type Store interface {
	// Write runs fn in one transaction, which is kept if fn returns nil. It may run fn again.
	Write(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx Tx) error) error
	// Find is Tx.Find outside of a transaction.
	Find(ctx context.Context, org tenant.Org, ids, targets []uuid.UUID) (Found, error)
	// Walk calls fn with every row, by sequence, and returns the head, both as of one moment. The row is fn's until it returns.
	Walk(ctx context.Context, org tenant.Org, fn func(*Row) error) (Head, error)
}

// Tx is a transaction that writes to an org's ledger.
type Tx interface {
	// Lock makes the transaction the only one that writes to the ledger, until it ends, and returns where the ledger ends. It
	// finds as Find does, with the lock held.
	Lock(ctx context.Context, ids, targets []uuid.UUID) (Head, Found, error)
	// Find returns the rows with the ids, those of targets, and the amendments of targets. The rows' shops and recorders are not
	// read.
	Find(ctx context.Context, ids, targets []uuid.UUID) (Found, error)
	// Append adds rows, moves the head, and adds what the rows are found by; nil for nothing.
	Append(ctx context.Context, rows []*Row, head Head, found *Index) error
	Bench
}

// Found is what the ledger, and what is about to enter it, hold of some entries.
type Found struct {
	Rows       map[uuid.UUID]*Row
	Amendments []*Row
}

// Query says which entries to list. What is zero does not restrict.
type Query struct {
	Unit           uuid.UUID
	Kind           Kind
	Shop           string
	OccurredFrom   time.Time
	OccurredBefore time.Time
	RecordedFrom   time.Time
	RecordedBefore time.Time
}

// Ledger takes entries. It is safe for concurrent use.
type Ledger struct {
	store    Store
	registry Registry
	clock    clock.Clock
	moved    func(tenant.Org)
	turns    turns
}

// NewLedger returns a ledger. Moved is called after every commit that moved an org's head.
func NewLedger(s Store, r Registry, c clock.Clock, moved func(tenant.Org)) *Ledger {
	return &Ledger{store: s, registry: r, clock: c, moved: moved}
}

// Draft is an entry that somebody wants in the ledger, and what was found wrong with it so far. With problems, the entry itself
// may be incomplete.
type Draft struct {
	Entry    Entry
	Problems []Problem
}

// Appended is what became of a batch.
type Appended struct {
	Rows []*Row // one for each draft, in order; new ones of a dry run have no sequence
	Last int64  // the greatest sequence among them
}

// Append takes the drafts, all or none, in their order; a draft whose entry the ledger has is answered with what it has. The error
// lists everything that is wrong with the batch, up to 100 violations. A dry run checks all of it and writes nothing.
func (l *Ledger) Append(ctx context.Context, org tenant.Org, recorder string, drafts []Draft, dry bool) (Appended, error) {
	f, err := gather(ctx, l.registry, org, drafts, nil)
	if err != nil {
		return Appended{}, err
	}
	b := newBatch(org, recorder, drafts, &f, l.clock.Now())
	if dry {
		found, err := l.store.Find(ctx, org, b.ids, b.targets)
		if err != nil {
			return Appended{}, err
		}
		b.settle(found)
		return b.answer(), rejection(b.problems)
	}
	leave, err := l.turns.enter(ctx, org.UUID)
	if err != nil {
		return Appended{}, err
	}
	defer leave()
	wrote := false
	err = l.store.Write(ctx, org, func(ctx context.Context, tx Tx) error {
		head, found, err := tx.Lock(ctx, b.ids, b.targets)
		if err != nil {
			return err
		}
		b.settle(found)
		if err := rejection(b.problems); err != nil {
			return err
		}
		if wrote = len(b.fresh) > 0; !wrote {
			return nil
		}
		suspects, err := suspects(ctx, tx, org, recorder, b.fresh)
		if err != nil {
			return err
		}
		fresh := append(b.fresh, suspects...)
		// The clock is read with the lock held, so that an entry is dated when the ledger takes it and not when it had to wait.
		return tx.Append(ctx, fresh, seal(NewChain(org, head), fresh, head, l.clock.Now()), nil)
	})
	if err != nil {
		return Appended{}, err
	}
	if wrote {
		l.moved(org)
	}
	return b.answer(), nil
}

// seal numbers, dates and chains rows that follow head, and returns the head after them. The instants never run backwards, whatever
// the clock does.
func seal(c *Chain, rows []*Row, head Head, now time.Time) Head {
	if now.After(head.Recorded) {
		head.Recorded = now
	}
	for _, r := range rows {
		head.Number++
		r.Sequence, r.Recorded = head.Number, head.Recorded
		r.Digest = c.Next(r)
		head.Digest = r.Digest
	}
	return head
}

// batch is drafts on their way into the ledger.
type batch struct {
	org          tenant.Org
	rows         []Row
	broken       [][]Problem // of each draft, what is wrong whatever the ledger holds
	ids, targets []uuid.UUID

	// Results of settle.
	answers  []*Row // of each draft: the ledger's row, or its own
	fresh    []*Row
	problems [][]Problem
}

// newBatch encodes and judges the drafts.
func newBatch(org tenant.Org, recorder string, drafts []Draft, f *facts, now time.Time) *batch {
	b := &batch{org: org, rows: make([]Row, len(drafts)), broken: make([][]Problem, len(drafts)), ids: make([]uuid.UUID, 0, len(drafts))}
	buf := make([]byte, 0, 160*len(drafts))
	for i := range drafts {
		d, r := &drafts[i], &b.rows[i]
		if len(d.Problems) > 0 {
			b.broken[i] = d.Problems
			continue
		}
		e := &d.Entry
		start := len(buf)
		buf = AppendBody(buf, e)
		*r = Row{ID: e.ID, Unit: e.Unit, Shop: e.Shop, Kind: e.Kind(), Occurred: e.Occurred, Corrects: corrects(&e.Detail), Order: orderOf(&e.Detail), Recorder: recorder, Body: buf[start:len(buf):len(buf)]}
		if u, ok := f.units[e.Unit]; ok && r.Shop == "" {
			r.Shop = u.Shop()
		}
		b.broken[i] = f.judge(org, e, now)
		b.ids = append(b.ids, e.ID)
		if e.Amendment != nil {
			b.targets = append(b.targets, e.Amendment.Corrects)
		}
	}
	return b
}

// settle sorts the drafts into those that the ledger has, new ones, and those with problems. What the ledger has is never judged
// again: it was right when it was recorded.
func (b *batch) settle(found Found) {
	n := len(b.rows)
	b.answers, b.fresh, b.problems = make([]*Row, n), make([]*Row, 0, n), make([][]Problem, n)
	if found.Rows == nil {
		found.Rows = make(map[uuid.UUID]*Row, n)
	}
	var condemned map[uuid.UUID]bool // targets that an amendment condemns
	for _, r := range found.Amendments {
		condemned = condemn(condemned, r)
	}
	for i := range b.rows {
		r := &b.rows[i]
		if r.Kind == 0 { // could not be read
			b.problems[i] = b.broken[i]
			continue
		}
		if have := found.Rows[r.ID]; have != nil {
			if have.Unit != r.Unit || !bytes.Equal(have.Body, r.Body) {
				b.problems[i] = []Problem{{"name", entryName(b.org, r.Unit, r.ID), "the id is in use by an entry with other content; give every entry an id of its own, and correct a mistake by an amendment", "ENTRY_ID_REUSED"}}
				continue
			}
			b.answers[i] = have
			continue
		}
		b.problems[i] = b.broken[i]
		if r.Kind == KindAmendment {
			if p, ok := b.judgeTarget(r, found.Rows[r.Corrects], condemned); !ok {
				b.problems[i] = append(b.problems[i][:len(b.problems[i]):len(b.problems[i])], p)
			}
			condemned = condemn(condemned, r)
		}
		found.Rows[r.ID] = r
		b.answers[i] = r
		b.fresh = append(b.fresh, r)
	}
}

// condemn notes the target of an amendment that condemns its unit.
func condemn(condemned map[uuid.UUID]bool, amendment *Row) map[uuid.UUID]bool {
	if e, err := ParseBody(amendment.Body); err == nil && !e.Condemns() {
		return condemned
	}
	if condemned == nil {
		condemned = map[uuid.UUID]bool{}
	}
	condemned[amendment.Corrects] = true
	return condemned
}

// judgeTarget says whether an amendment may correct the entry it names.
func (b *batch) judgeTarget(r, target *Row, condemned map[uuid.UUID]bool) (Problem, bool) {
	const field = "amendment.corrected_entry"
	value := entryName(b.org, r.Unit, r.Corrects)
	switch {
	case target == nil || target.Unit != r.Unit:
		return Problem{field, value, "the unit has no such entry in the ledger, nor earlier in this request", "AMENDMENT_TARGET"}, false
	case target.Kind == KindOrder:
		return Problem{field, value, "is something that happened to a service order; withdraw it there instead", "AMENDMENT_TARGET"}, false
	case target.Kind == KindAmendment:
		return Problem{field, value, "is itself an amendment; amend the entry that it corrects once more instead", "AMENDMENT_TARGET"}, false
	}
	// A body that cannot be read may be anything, so it counts as condemning.
	if e, err := ParseBody(target.Body); err != nil || e.Condemns() || condemned[r.Corrects] {
		return Problem{field, value, "condemned the unit, and that is final", "CONDEMNATION_FINAL"}, false
	}
	return Problem{}, true
}

func (b *batch) answer() Appended {
	a := Appended{Rows: b.answers}
	for _, r := range b.answers {
		if r != nil {
			a.Last = max(a.Last, r.Sequence)
		}
	}
	return a
}

// Verify recomputes the chain over an org's whole ledger. It returns how many entries there are and the last digest, or DataLoss,
// LEDGER_DAMAGED.
func (l *Ledger) Verify(ctx context.Context, org tenant.Org) (int64, [32]byte, error) {
	v := NewVerifier(org)
	head, err := l.store.Walk(ctx, org, v.Next)
	if err != nil {
		return 0, [32]byte{}, err
	}
	if err := v.Done(head); err != nil {
		return 0, [32]byte{}, err
	}
	n, digest := v.Count()
	return n, digest, nil
}

// Check says whether the query asks for something that can be.
func (q Query) Check() error {
	for _, r := range [...]struct {
		name         string
		from, before time.Time
	}{{"occurred", q.OccurredFrom, q.OccurredBefore}, {"recorded", q.RecordedFrom, q.RecordedBefore}} {
		if !r.from.IsZero() && !r.before.IsZero() && r.from.After(r.before) {
			e := errs.Fields(errs.Violation{
				Field: r.name + "_from_time", Value: instant(r.from),
				Description: fmt.Sprintf("is after %s_before_time, so nothing can lie between them; swap them", r.name), Reason: "FILTER_INVALID",
			})
			return e
		}
	}
	return nil
}
