package history

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Composition is what somebody who looked at the ledger wants in it.
type Composition struct {
	Rows  []*Row // from NewRow
	Index Index
}

// ErrIDInUse is what appending an entry under the id of another one ends with, where nobody asked before which ids are in use.
var ErrIDInUse = errs.New(errs.Conflict, "ENTRY_ID_REUSED", "an entry's id is in use by another one; give every entry an id of its own")

// errDry ends the transaction of a dry run.
var errDry = errors.New("a dry run")

// Compose appends what decide composes. Decide is told which of some ids are in use, and asked with the ledger locked, so that what it read of it is still so when its rows follow, and may be asked again; it
// leaves out what the ledger has already. What a calibration among the rows makes suspect is appended with them. A dry run writes nothing. The rows are returned as they
// were appended.
func (l *Ledger) Compose(ctx context.Context, org tenant.Org, recorder string, dry bool, ids []uuid.UUID, decide func(ctx context.Context, tx Tx, used Found) (Composition, error)) (rows []*Row, err error) {
	leave, err := l.turns.enter(ctx, org.UUID)
	if err != nil {
		return nil, err
	}
	defer leave()
	err = l.store.Write(ctx, org, func(ctx context.Context, tx Tx) error {
		rows = nil
		head, used, err := tx.Lock(ctx, ids, nil)
		if err != nil {
			return err
		}
		c, err := decide(ctx, tx, used)
		if err != nil {
			return err
		}
		if rows, err = l.compose(ctx, tx, org, recorder, &c, head); err == nil && dry {
			return errs.New(errs.Conflict, "CONFLICT", "a dry run").Because(errDry)
		}
		return err
	})
	if err != nil && !(dry && errors.Is(err, errDry)) {
		return nil, err
	}
	if len(rows) > 0 && !dry {
		l.moved(org)
	}
	return rows, nil
}

func (l *Ledger) compose(ctx context.Context, tx Tx, org tenant.Org, recorder string, c *Composition, head Head) ([]*Row, error) {
	if len(c.Rows) == 0 {
		return nil, nil
	}
	more, err := suspects(ctx, tx, org, recorder, c.Rows)
	if err != nil {
		return nil, err
	}
	rows := append(c.Rows, more...)
	head = seal(NewChain(org, head), rows, head, l.clock.Now())
	c.Index.number(rows)
	return rows, tx.Append(ctx, rows, head, &c.Index)
}

// Asked is what the registry said about some entries.
type Asked struct {
	org   tenant.Org
	facts facts
}

// Ask asks the registry all that the rules need to know about entries, and about more units.
func (l *Ledger) Ask(ctx context.Context, org tenant.Org, entries []Entry, more ...uuid.UUID) (*Asked, error) {
	drafts := make([]Draft, 0, len(entries)+len(more))
	for i := range entries {
		drafts = append(drafts, Draft{Entry: entries[i]})
	}
	for _, id := range more {
		drafts = append(drafts, Draft{Entry: Entry{Unit: id}})
	}
	f, err := gather(ctx, l.registry, org, drafts, nil)
	return &Asked{org, f}, err
}

// Unit returns a unit, if there is one.
func (a *Asked) Unit(id uuid.UUID) (Unit, bool) {
	u, ok := a.facts.units[id]
	return u, ok
}

// Judge holds the rules against an entry, apart from those that need the ledger.
func (a *Asked) Judge(e *Entry, now time.Time) []Problem { return a.facts.judge(a.org, e, now) }
