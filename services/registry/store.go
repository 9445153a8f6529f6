package registry

import (
	"context"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
)

// Store is what the use cases need of a database.
type Store interface {
	// Write runs fn in one transaction of the org that holds the org's head row, so that it sees every earlier write of the
	// org and no other write comes between. It returns the number of the org's last change: the one fn recorded last, or the
	// one before if it recorded none. It fails with NOT_FOUND if there is no such org. fn may run more than once.
	Write(ctx context.Context, org tenant.Org, now time.Time, fn func(ctx context.Context, tx Tx) error) (position int64, err error)
	// Found is Write for an org that may not exist yet.
	Found(ctx context.Context, org tenant.Org, now time.Time, fn func(ctx context.Context, tx Tx) error) (position int64, err error)
}

// Tx is the org's rows inside Write. What is asked for by ids comes back by id; an id that is not there is left out.
type Tx interface {
	// Record appends changes to the org's log, in order.
	Record(ctx context.Context, changes ...Change) error

	// InsertOrg inserts the org; fresh is false if it is there already.
	InsertOrg(ctx context.Context, o Org) (fresh bool, err error)

	Shops(ctx context.Context, ids []string) (map[string]Shop, error)
	InsertShops(ctx context.Context, shops []Shop) error
	UpdateShop(ctx context.Context, s Shop) error

	Models(ctx context.Context, ids []string) (map[string]Model, error)
	InsertModels(ctx context.Context, models []Model) error
	UpdateModel(ctx context.Context, m Model) error

	Technicians(ctx context.Context, ids []string) (map[string]Technician, error)
	InsertTechnicians(ctx context.Context, technicians []Technician) error
	UpdateTechnician(ctx context.Context, t Technician) error

	Units(ctx context.Context, ids []uuid.UUID) (map[uuid.UUID]Unit, error)
	// UnitsByTag returns the units that carry the tags or carried them when they were retired.
	UnitsByTag(ctx context.Context, tags []string) (map[string][]Unit, error)
	// InsertUnits inserts new units, each with its one placement.
	InsertUnits(ctx context.Context, units []Unit) error
	// UpdateUnit writes a unit's own fields; its placements have Place.
	UpdateUnit(ctx context.Context, u Unit) error
	// Place ends the present placements of the units at an instant and begins new ones at a shop. It writes the units' shop,
	// version and update time.
	Place(ctx context.Context, units []uuid.UUID, shop string, from, now time.Time) error
	// Rekind gives every unit of a model another kind and records each.
	Rekind(ctx context.Context, model, kind string) error

	// FittingsOf returns the fittings in which one of the units is the part, and those in which it is the host.
	FittingsOf(ctx context.Context, units []uuid.UUID) (asPart, asHost []Fitting, err error)
	// FittingsAbove returns the fittings in which a unit, or a host it was ever fitted to, directly or through others, is
	// the part.
	FittingsAbove(ctx context.Context, units []uuid.UUID) ([]Fitting, error)
	// PartsAt returns the units fitted to a unit at an instant, directly or through others.
	PartsAt(ctx context.Context, unit uuid.UUID, at time.Time) ([]uuid.UUID, error)
	// FittingExists says whether the org has a fitting of that id.
	FittingExists(ctx context.Context, id uuid.UUID) (bool, error)
	InsertFittings(ctx context.Context, fittings []Fitting) error
	// EndFittings writes the ends of fittings.
	EndFittings(ctx context.Context, fittings []Fitting) error
}

// Change is one change of the log: the resource as it stands after it. Exactly one field is set.
type Change struct {
	Org        *Org
	Shop       *Shop
	Model      *Model
	Unit       *Unit
	Fitting    *Fitting
	Technician *Technician
}

// Registry is the use cases. It is safe for concurrent use.
type Registry struct{ store Store }

// New returns the use cases over a store.
func New(store Store) *Registry { return &Registry{store: store} }

// newID returns a UUID of version 7: ids of units that are registered together lie together in the indexes.
func newID() (uuid.UUID, error) { return uuid.NewV7() }
