package work

import (
	"context"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
	"strandline.example/strandline/services/history/order"
	"strandline.example/strandline/services/history/procedure"
)

// Place is where work is done.
type Place struct {
	Zone         *time.Location
	Jurisdiction string
}

// Technician is a person who works on units.
type Technician struct {
	Name           string // as it stands in service records
	Qualifications []Qualification
}

// Qualification is what a technician may do, as the registry says it.
type Qualification struct {
	order.Qualification
	Message *historypb.SignerQualification
}

// Registry says who works and where, beside what it says to the ledger. Its errors are *errs.E: NOT_FOUND, or Unavailable if it cannot be asked.
type Registry interface {
	Place(ctx context.Context, org tenant.Org, shop string) (Place, error)
	Technician(ctx context.Context, org tenant.Org, id string) (Technician, error)
}

// Procedures finds procedures. Revision 0 is the last. Errors: NOT_FOUND.
type Procedures interface {
	Procedure(ctx context.Context, org tenant.Org, id string, revision int) (*procedure.Procedure, error)
}

// Store reads orders. Its errors are *errs.E.
type Store interface {
	// Read runs fn in a transaction that only reads.
	Read(ctx context.Context, org tenant.Org, fn func(ctx context.Context, tx history.Bench) error) error
	// Opening returns the entry that opened an order. Errors: NOT_FOUND.
	Opening(ctx context.Context, org tenant.Org, order uuid.UUID) (history.Row, error)
}

// Desk takes service orders. It is safe for concurrent use.
type Desk struct {
	ledger     *history.Ledger
	store      Store
	registry   Registry
	procedures Procedures
	clock      clock.Clock
}

// New returns a desk.
func New(l *history.Ledger, s Store, r Registry, p Procedures, c clock.Clock) *Desk {
	return &Desk{ledger: l, store: s, registry: r, procedures: p, clock: c}
}

// Job is an order, and what it is worked by.
type Job struct {
	ID        uuid.UUID
	Unit      uuid.UUID
	Shop      string
	Order     order.Order
	Events    []*Event // by when they happened
	Problems  []order.Problem
	Procedure *procedure.Procedure
}

// world is what was asked about a request before the ledger was locked.
type world struct {
	asked       *history.Asked
	place       Place
	technicians map[string]Technician // those who are named in the request
	procedure   *procedure.Procedure
}

// look asks everything that has to be asked of others: once each, side by side.
func (d *Desk) look(ctx context.Context, org tenant.Org, shop string, entries []history.Entry, instruments []uuid.UUID, people map[string]string) (*world, error) {
	w := &world{technicians: make(map[string]Technician, len(people))}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() (err error) {
		w.asked, err = d.ledger.Ask(ctx, org, entries, instruments...)
		return err
	})
	if shop != "" {
		g.Go(func() (err error) {
			w.place, err = d.registry.Place(ctx, org, shop)
			return err
		})
	}
	found := make(chan struct{}, 1)
	found <- struct{}{}
	for id, field := range people {
		g.Go(func() error {
			t, err := d.registry.Technician(ctx, org, id)
			if errs.Is(err, "NOT_FOUND") {
				e := errs.Missing(resname.TechnicianName(org, id))
				e.Violations = []errs.Violation{{Field: field, Value: resname.TechnicianName(org, id), Description: "there is no such technician; register the person first", Reason: "NOT_FOUND"}}
				return e
			}
			if err != nil {
				return err
			}
			<-found
			w.technicians[id] = t
			found <- struct{}{}
			return nil
		})
	}
	return w, g.Wait()
}
