package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// Source is a service whose feed compliance follows.
type Source int16

// The sources. Their order is the order in which their cursors are locked.
const (
	Registry Source = 1
	History  Source = 2
)

// String returns the name of the service.
func (s Source) String() string {
	if s == Registry {
		return "registry"
	}
	return "history"
}

// Position is where each log of one org stands; 0 is its beginning, or "any" in a question.
type Position struct{ Registry, History, Compliance int64 }

// Of returns the position in one source's log.
func (p Position) Of(s Source) int64 {
	if s == Registry {
		return p.Registry
	}
	return p.History
}

// Change is one change of a feed: at most one of its resources is set, as it stands after the change. One with none (an
// org, a technician) only moves the cursor.
type Change struct {
	Number  int64
	At      time.Time // when it was made, which is when it became known; zero if nobody says: it was known all along
	Shop    *Shop
	Model   *Model
	Unit    *Unit
	Fitting *Fitting
	Entry   *due.Entry
}

// Shop is a place of the org.
type Shop struct {
	ID           string
	Name         string
	Zone         string // IANA
	Jurisdiction string
}

// Model is a catalogue entry.
type Model struct {
	ID         string
	Kind       string
	Maker      string
	Size       string
	Attributes map[string]string
}

// Unit is a unit as the registry has it.
type Unit struct {
	ID           uuid.UUID
	Tag          string
	Serial       string // empty if it has none
	Model        string
	Size         string            // the unit's own; empty for the model's
	Attributes   map[string]string // the unit's own; they override the model's
	Manufactured civil.Mark
	Commissioned civil.Mark
	Retired      time.Time // zero while in the fleet
	Placements   []Placement
}

// Placement is a stay at a shop up to the next one.
type Placement struct {
	Shop string    `json:"shop"`
	From time.Time `json:"from"` // ignored in the first, which is open to the past
}

// Fitting is a part on a host.
type Fitting struct {
	ID         uuid.UUID
	Part, Host uuid.UUID
	Place      string
	From       time.Time
	To         time.Time // zero while fitted
}

// Facts returns what due needs to know of a unit: the unit's own size and attributes over the model's, and its stays with
// the zone and jurisdiction of their shops. Zone names are resolved by zone.
func Facts(u Unit, m Model, shops map[string]Shop, zone func(string) *time.Location) due.Facts {
	f := due.Facts{
		Unit: u.ID, Kind: m.Kind, Maker: m.Maker, Model: m.ID, Serial: u.Serial, Size: m.Size, Manufactured: u.Manufactured,
		Commissioned: u.Commissioned, Retired: u.Retired,
	}
	if u.Size != "" {
		f.Size = u.Size
	}
	if len(m.Attributes)+len(u.Attributes) > 0 {
		f.Attributes = make(map[string]string, len(m.Attributes)+len(u.Attributes))
		for k, v := range m.Attributes {
			f.Attributes[k] = v
		}
		for k, v := range u.Attributes {
			f.Attributes[k] = v
		}
	}
	f.Stays = make([]due.Stay, len(u.Placements))
	for i, p := range u.Placements {
		s := shops[p.Shop]
		f.Stays[i] = due.Stay{Zone: zone(s.Zone), Jurisdiction: s.Jurisdiction, Shop: p.Shop}
		if i > 0 {
			f.Stays[i].From = p.From
		}
	}
	return f
}
