package history

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

const (
	importChunk  = 1000 // rows held in memory at a time
	mostProblems = 1000 // listed; all are counted
)

// ImportOptions says how an import is to be done.
type ImportOptions struct {
	Recorder string
	SpoolDir string // where the entries wait; the system's temporary folder if empty
	MaxBytes int64  // of the spool
	DryRun   bool
	// Planned are units that do not exist yet, for a dry run, with the instants of their commissioning.
	Planned map[uuid.UUID]time.Time
}

// ImportProblem is a problem and the row of the client's file it stands in.
type ImportProblem struct {
	Row int64
	Problem
}

// Imported is what became of an import.
type Imported struct {
	Appended     int64 // new entries; of a dry run, how many would be
	Unchanged    int64 // entries that the ledger had
	Problems     []ImportProblem
	ProblemCount int64
	Last         int64 // greatest sequence among the entries
}

// Import takes any number of entries, whole or not at all. The entries wait in a file until all have been checked; then one
// transaction writes them, and only that one holds up other writers of the org. In memory are one chunk of entries and, of each
// entry, its id and its place in the file. An import is used by one goroutine and must be closed.
type Import struct {
	ledger  *Ledger
	org     tenant.Org
	options ImportOptions
	spool   *spool
	chunk   []Draft
	rows    []int64
	index   map[uuid.UUID]int64 // where the spool holds an entry
	amended map[uuid.UUID]bool  // entries that an amendment in the spool condemns
	result  Imported
}

// NewImport starts an import.
func (l *Ledger) NewImport(org tenant.Org, o ImportOptions) (*Import, error) {
	s, err := newSpool(o.SpoolDir, o.MaxBytes)
	if err != nil {
		return nil, err
	}
	if !o.DryRun {
		o.Planned = nil
	}
	return &Import{ledger: l, org: org, options: o, spool: s, index: map[uuid.UUID]int64{}, amended: map[uuid.UUID]bool{}}, nil
}

// Close gives up what the import holds. What was not finished is not in the ledger.
func (m *Import) Close() error { return m.spool.close() }

// Add takes the next draft. Problems are kept for the end; an error ends the import.
func (m *Import) Add(ctx context.Context, row int64, d Draft) error {
	m.chunk = append(m.chunk, d)
	m.rows = append(m.rows, row)
	if len(m.chunk) < importChunk {
		return nil
	}
	return m.check(ctx)
}

// check judges the drafts of the chunk and spools the good ones.
func (m *Import) check(ctx context.Context) error {
	if len(m.chunk) == 0 {
		return nil
	}
	f, err := gather(ctx, m.ledger.registry, m.org, m.chunk, m.options.Planned)
	if err != nil {
		return err
	}
	b := newBatch(m.org, m.options.Recorder, m.chunk, &f, m.ledger.clock.Now())
	found, err := m.ledger.store.Find(ctx, m.org, b.ids, b.targets)
	if err != nil {
		return err
	}
	if err := m.findSpooled(&found, b); err != nil {
		return err
	}
	b.settle(found)
	for i := range b.rows {
		r := &b.rows[i]
		if len(b.problems[i]) > 0 {
			m.report(m.rows[i], b.problems[i])
			continue
		}
		if b.answers[i] != r {
			m.result.Unchanged++
			m.result.Last = max(m.result.Last, b.answers[i].Sequence)
			continue
		}
		m.result.Appended++
		at, err := m.spool.write(m.rows[i], r)
		if err != nil {
			return err
		}
		m.index[r.ID] = at
		if r.Kind == KindAmendment {
			m.amended = condemn(m.amended, r)
		}
	}
	clear(m.chunk)
	m.chunk, m.rows = m.chunk[:0], m.rows[:0]
	return nil
}

// findSpooled adds to found what the spool holds of the batch's entries and targets.
func (m *Import) findSpooled(found *Found, b *batch) error {
	if found.Rows == nil {
		found.Rows = map[uuid.UUID]*Row{}
	}
	for _, ids := range [...][]uuid.UUID{b.ids, b.targets} {
		for _, id := range ids {
			at, ok := m.index[id]
			if !ok || found.Rows[id] != nil {
				continue
			}
			r, err := m.spool.at(at)
			if err != nil {
				return err
			}
			found.Rows[id] = r
		}
	}
	for _, id := range b.targets {
		if m.amended[id] {
			// Stands for the condemning amendment in the spool; a body that cannot be read counts as one.
			found.Amendments = append(found.Amendments, &Row{Kind: KindAmendment, Corrects: id})
		}
	}
	return nil
}

func (m *Import) report(row int64, ps []Problem) {
	for _, p := range ps {
		m.result.ProblemCount++
		if len(m.result.Problems) < mostProblems {
			m.result.Problems = append(m.result.Problems, ImportProblem{row, p})
		}
	}
}

// errProblems ends the transaction of an import that cannot be.
var errProblems = errors.New("the import has problems")

// Finish checks the rest and, unless there are problems or it is a dry run, writes everything.
func (m *Import) Finish(ctx context.Context) (Imported, error) {
	if err := m.check(ctx); err != nil {
		return Imported{}, err
	}
	if m.options.DryRun {
		return m.result, nil
	}
	if m.result.ProblemCount > 0 {
		m.result.Appended = 0
		return m.result, nil
	}
	if m.result.Appended == 0 {
		return m.result, nil
	}
	leave, err := m.ledger.turns.enter(ctx, m.org.UUID)
	if err != nil {
		return Imported{}, err
	}
	defer leave()
	checked := m.result
	err = m.ledger.store.Write(ctx, m.org, func(ctx context.Context, tx Tx) error {
		m.result = checked
		m.result.Appended = 0
		return m.write(ctx, tx)
	})
	if m.result.ProblemCount > 0 {
		m.result.Appended = 0
		return m.result, nil
	}
	if err != nil {
		return Imported{}, err
	}
	if m.result.Appended > 0 {
		m.ledger.moved(m.org)
	}
	return m.result, nil
}

// write appends what the spool holds. Somebody may have appended since it was checked, so that what concerns the ledger's own
// entries is checked again with the lock held.
func (m *Import) write(ctx context.Context, tx Tx) error {
	rest, err := m.spool.reader()
	if err != nil {
		return err
	}
	var head Head
	var chain *Chain
	for {
		b := &batch{org: m.org}
		m.rows = m.rows[:0]
		for len(b.rows) < importChunk {
			row, r, err := rest.next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				return err
			}
			r.Recorder = m.options.Recorder
			m.rows = append(m.rows, row)
			b.rows = append(b.rows, *r)
			b.ids = append(b.ids, r.ID)
			if r.Kind == KindAmendment {
				b.targets = append(b.targets, r.Corrects)
			}
		}
		if len(b.rows) == 0 {
			return nil
		}
		b.broken = make([][]Problem, len(b.rows))
		var found Found
		if chain == nil {
			head, found, err = tx.Lock(ctx, b.ids, b.targets)
			chain = NewChain(m.org, head)
		} else {
			found, err = tx.Find(ctx, b.ids, b.targets)
		}
		if err != nil {
			return err
		}
		b.settle(found)
		for i, ps := range b.problems {
			m.report(m.rows[i], ps)
		}
		if m.result.ProblemCount > 0 {
			return errs.New(errs.Conflict, "IMPORT_REJECTED", fmt.Sprintf("%d problems", m.result.ProblemCount)).Because(errProblems)
		}
		m.result.Unchanged += int64(len(b.rows) - len(b.fresh))
		if len(b.fresh) > 0 {
			suspects, err := suspects(ctx, tx, m.org, m.options.Recorder, b.fresh)
			if err != nil {
				return err
			}
			fresh := append(b.fresh, suspects...)
			head = seal(chain, fresh, head, m.ledger.clock.Now())
			if err := tx.Append(ctx, fresh, head, nil); err != nil {
				return err
			}
			m.result.Appended += int64(len(b.fresh))
		}
		m.result.Last = max(m.result.Last, b.answer().Last)
	}
}
