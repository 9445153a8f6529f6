package compliancepg

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/try"
)

// TryQuery asks what a revision of a pack would do.
type TryQuery struct {
	try.Question
	Revision due.Pack  // as it would be published; its number is given here
	Known    time.Time // only what was recorded by then counts; zero for all
	Shop     string    // only units at this shop; empty for all
}

// Try adds up what a revision would do to the fleet. A revision that could not be published after those there are is refused as Publish
// refuses it.
func (r *Reader) Try(ctx context.Context, q TryQuery) (try.Result, error) {
	packs, err := r.Packs(ctx)
	if err != nil {
		return try.Result{}, err
	}
	revisions := []due.Pack{}
	last := compliance.PackRevision{}
	for i := range packs {
		p := &packs[i]
		if p.ID != q.Pack || !q.Known.IsZero() && p.Published.After(q.Known) {
			continue
		}
		revisions = append(revisions, *p)
		if p.Revision > last.Revision {
			last = compliance.PackRevision{Revision: p.Revision, Effective: p.Effective}
		}
	}
	if err := tooEarly(q.Effective, last); err != nil {
		return try.Result{}, err
	}
	q.Revision.Revision, q.Revision.Published = last.Revision+1, time.Time{}
	revisions = append(revisions, q.Revision)
	tally := try.New(q.Question)
	var adding sync.Mutex
	err = r.eachSet(ctx, q, func(f *facts, units []uuid.UUID) error {
		pairs := map[uuid.UUID]pair{}
		derive := func(id uuid.UUID) pair {
			p, ok := pairs[id]
			if !ok {
				in := f.input(id, false)
				before := due.Derive(in, q.At, q.Known)
				in.Packs = revisions
				p = pair{&before, try.Under(&before, due.Derive(in, q.At, q.Known).Clocks, q.Pack)}
				pairs[id] = p
			}
			return p
		}
		for _, id := range units {
			self := derive(id)
			if left := self.before.Retired; !left.IsZero() && !q.At.Before(left) {
				continue
			}
			if q.Shop != "" && self.before.Stay.Shop != q.Shop {
				continue
			}
			u := try.Unit{Tag: f.tags[id], Kind: f.units[id].Kind, Before: self.before, After: self.after, Name: f.tag}
			if len(f.parts[id]) > 0 {
				for _, part := range due.PartsAt(f.below(id), id, q.At) {
					p := derive(part)
					u.PartsBefore, u.PartsAfter = append(u.PartsBefore, p.before), append(u.PartsAfter, p.after)
				}
			}
			adding.Lock()
			tally.Add(&u)
			adding.Unlock()
		}
		return nil
	})
	return tally.Result(), err
}

// pair is a unit derived by the rules as they are and under a revision.
type pair struct{ before, after *due.Derived }

// tag returns what people call a unit.
func (f *facts) tag(unit uuid.UUID) string {
	if tag, ok := f.tags[unit]; ok {
		return tag
	}
	return unit.String()
}

// below returns the fittings of a unit's parts, whenever they were, and of theirs.
func (f *facts) below(unit uuid.UUID) (out []due.Fitting) {
	seen := map[uuid.UUID]bool{unit: true}
	for hosts := []uuid.UUID{unit}; len(hosts) > 0; hosts = hosts[1:] {
		for _, fit := range f.parts[hosts[0]] {
			out = append(out, fit)
			if !seen[fit.Part] {
				seen[fit.Part] = true
				hosts = append(hosts, fit.Part)
			}
		}
	}
	return out
}

// eachSet calls fn with chunks of the units that had not left the fleet at an instant, and what they and what is fitted to them depend
// on, by several goroutines at a time. Units that are or were at another shop than the one given, if any, may be among them; as known at an
// instant, also those that had left the fleet.
func (r *Reader) eachSet(ctx context.Context, q TryQuery, fn func(f *facts, units []uuid.UUID) error) error {
	var units []uuid.UUID
	var err error
	if q.Known.IsZero() {
		units, err = unitIDs(ctx, r.tx, `(retired is null or retired > $2) and ($3 = '' or shop = $3 or settled > $2)`, r.org.UUID, q.At, q.Shop)
	} else {
		units, err = knownUnits(ctx, r.tx, r.org, q.Known)
	}
	if err != nil {
		return err
	}
	return r.eachChunk(ctx, units, true, q.Known, fn)
}

// tooEarly refuses a revision that would be in force before the last one is; nil for none.
func tooEarly(effective civil.Date, last compliance.PackRevision) error {
	if last.Revision == 0 || effective >= last.Effective {
		return nil
	}
	e := errs.New(errs.Invalid, "RULE_PACK_INVALID", fmt.Sprintf("effective_date %s is before %s, that of the pack's revision %d", effective, last.Effective, last.Revision),
		"effectiveDate", effective.String(), "lastEffectiveDate", last.Effective.String(), "revision", fmt.Sprint(last.Revision))
	e.Violations = []errs.Violation{{
		Field: "rule_pack.effective_date", Value: effective.String(), Reason: e.Reason,
		Description: "must not be before " + last.Effective.String() + ", that of the last revision",
	}}
	return e
}
