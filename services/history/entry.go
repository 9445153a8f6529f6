package history

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Kind is what an entry tells of. The numbers are stored and hashed: they never change.
type Kind uint8

// The kinds.
const (
	KindUsage Kind = iota + 1
	KindService
	KindTest
	KindCondition
	KindAmendment
	KindOrder
)

// Outcome is how a service or test ended. The numbers are stored and hashed.
type Outcome uint8

// The outcomes.
const (
	Pass Outcome = iota + 1
	Fail
	Inconclusive
	Condemned
)

// Severity is what a condition report means for the unit. The numbers are stored and hashed.
type Severity uint8

// The severities.
const (
	Note Severity = iota + 1
	Pull
)

// Measure is what a meter counts. The numbers are stored and hashed.
type Measure uint8

// The measures.
const (
	Dives Measure = iota + 1
	RunningTime
	Fills
)

// Entry is what a client says happened.
type Entry struct {
	ID         uuid.UUID
	Unit       uuid.UUID
	Occurred   time.Time // to the microsecond
	Shop       string    // id of the shop; empty: where the unit is when the ledger takes the entry
	Technician string    // id; empty: none
	Note       string
	Detail
}

// Detail is what happened: exactly one of the pointers is set.
type Detail struct {
	Usage     *Usage
	Service   *Work
	Test      *Work // exactly one activity
	Condition *Condition
	Amendment *Amendment
	Order     *OrderEvent
}

// Kind returns which of the details is set; 0 if none is.
func (d *Detail) Kind() Kind {
	switch {
	case d.Usage != nil:
		return KindUsage
	case d.Service != nil:
		return KindService
	case d.Test != nil:
		return KindTest
	case d.Condition != nil:
		return KindCondition
	case d.Amendment != nil:
		return KindAmendment
	case d.Order != nil:
		return KindOrder
	}
	return 0
}

// Condemns says whether the detail condemns the unit: work that ended so, or an amendment that puts such work in another
// entry's place.
func (d *Detail) Condemns() bool {
	switch {
	case d.Service != nil:
		return d.Service.Outcome == Condemned
	case d.Test != nil:
		return d.Test.Outcome == Condemned
	case d.Amendment != nil && d.Amendment.Replacement != nil:
		return d.Amendment.Replacement.Condemns()
	}
	return false
}

// Usage is dives, running time and fills: an increment, or the reading of a meter.
type Usage struct {
	// An increment: Measure is 0.
	Dives   int64
	Running time.Duration
	Fills   int64

	// A reading: Measure says of what, Value is the meter's (nanoseconds of running time).
	Measure Measure
	Value   int64
	// Replaced says that the meter was replaced here: Value is the old one's last reading and Start the new one's first (seconds
	// of running time).
	Replaced bool
	Start    int64
	// Rollover says that the meter passed this count once since the reading before and began again at zero; 0 if it did not (seconds
	// of running time).
	Rollover int64

	Reference string // the client's own
	// Estimated says that an increment is an estimate, for a log that is missing.
	Estimated bool
	// Celsius is the temperature of the air that a compressor drew in, in degrees Celsius, if HasCelsius.
	Celsius    int16
	HasCelsius bool
}

// plain says whether version 1 of the encoding can hold the usage.
func (u *Usage) plain() bool { return u.Rollover == 0 && !u.Estimated && !u.HasCelsius }

// Work is a service, or a test.
type Work struct {
	Activities []string
	Outcome    Outcome
	Mark       civil.Mark // date marked on the unit
	Provider   string     // who did it, where that was not the shop

	// Of work in a service order.
	Order    uuid.UUID // the order; zero for none
	Readings uuid.UUID // the entry that says what was read; zero for none
	// Calibration says how long and how far an instrument is good: the protobuf encoding of a strandline.history.v1.Calibration, empty for none.
	Calibration []byte
}

// plain says whether version 1 of the encoding can hold the work.
func (w *Work) plain() bool {
	return w.Order == uuid.Nil && w.Readings == uuid.Nil && len(w.Calibration) == 0
}

// Condition is something that happened to the unit.
type Condition struct {
	Condition string
	Severity  Severity
	ClearedBy []string // activities that lift the hold; empty where the rule packs say
}

// OrderEvent is something that happened to a service order. What it was is not the ledger's to understand: package work reads and writes it.
type OrderEvent struct {
	Order   uuid.UUID // id of the entry that opened the order
	Content []byte    // the protobuf encoding of a strandline.history.v1.OrderEvent, of its detail alone
}

// Amendment corrects an earlier entry of the same unit.
type Amendment struct {
	Corrects    uuid.UUID
	Reason      string
	Replacement *Replacement // nil: the entry it corrects never happened
}

// Replacement is what the corrected entry should have said. Its detail is not an amendment.
type Replacement struct {
	Occurred time.Time
	Detail
}

// Row is an entry as the ledger keeps it.
type Row struct {
	Sequence int64
	ID       uuid.UUID
	Unit     uuid.UUID
	Shop     string // as stated, or else where the unit was when the entry was recorded
	Kind     Kind
	Occurred time.Time
	Recorded time.Time
	Corrects uuid.UUID // zero unless an amendment
	Order    uuid.UUID // of an order's events, and of what was performed in it; otherwise zero
	Recorder string    // subject of the token it came with
	Body     []byte    // canonical encoding of the content (AppendBody)
	Digest   [32]byte
}

// Entry returns the entry in the row, with its shop as the ledger knows it. It fails on a body that the ledger cannot have written.
func (r *Row) Entry() (Entry, error) {
	e, err := ParseBody(r.Body)
	if err != nil {
		return Entry{}, err
	}
	e.ID, e.Unit, e.Shop = r.ID, r.Unit, r.Shop
	return e, nil
}

// Head is the end of an org's ledger. The zero Head is that of an empty one, but for its digest: see Genesis.
type Head struct {
	Number   int64 // sequence of the last entry
	Digest   [32]byte
	Recorded time.Time // of the last entry
}
