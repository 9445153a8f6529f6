package history

import (
	"context"
	"time"

	"github.com/google/uuid"
)

// Bench is what a transaction reads of service orders and instruments.
type Bench interface {
	// OrderRows returns the events of an order and what was performed in it, by sequence; none if there is no such order.
	OrderRows(ctx context.Context, order uuid.UUID) ([]*Row, error)
	// OpenOrder returns the open order of a unit for a purpose; the zero UUID if there is none.
	OpenOrder(ctx context.Context, unit uuid.UUID, purpose string) (uuid.UUID, error)
	// TestsOf returns the tests of units, and amendments, by sequence.
	TestsOf(ctx context.Context, units []uuid.UUID) ([]*Row, error)
	// LastUses returns, of every unit and activity, the last test that passed and was made with an instrument from an instant to another, both included.
	LastUses(ctx context.Context, instrument uuid.UUID, from, to time.Time) ([]InstrumentUse, error)
	// Lots returns those of the lots that there are.
	Lots(ctx context.Context, ids []string) (map[string]Lot, error)
}

// Index is what appended rows are found by. The rows tell their sequences.
type Index struct {
	Opened      []OpenedOrder
	Ended       []EndedOrder
	Instruments []InstrumentUse
	Parts       []PartUse
	parts       []*Row // of Parts
}

// OpenedOrder is an order. Its id is that of its row.
type OpenedOrder struct {
	Row     *Row
	Purpose string
}

// Ending is how an order ended. The numbers are stored.
type Ending uint8

// The endings.
const (
	EndSigned Ending = iota + 1
	EndClosed
)

// EndedOrder says how an order ended: by the event of its row.
type EndedOrder struct {
	Row    *Row
	Order  uuid.UUID
	Ending Ending
}

// InstrumentUse is a test that an instrument was used for.
type InstrumentUse struct {
	Sequence   int64
	Instrument uuid.UUID
	Entry      uuid.UUID // that says what was read
	Occurred   time.Time
	Unit       uuid.UUID // that was tested
	Order      uuid.UUID
	Activity   string
	Shop       string
	Passed     bool
	Signed     time.Time // when its order was signed; zero if it was not
}

// AddPart adds a use of parts that a row tells of.
func (x *Index) AddPart(r *Row, u PartUse) {
	x.Parts, x.parts = append(x.Parts, u), append(x.parts, r)
}

// number copies the rows' sequences once they have them.
func (x *Index) number(rows []*Row) {
	for i := range x.Parts {
		x.Parts[i].Sequence = x.parts[i].Sequence
	}
	if len(x.Instruments) == 0 {
		return
	}
	sequence := make(map[uuid.UUID]int64, len(rows))
	for _, r := range rows {
		sequence[r.ID] = r.Sequence
	}
	for i := range x.Instruments {
		x.Instruments[i].Sequence = sequence[x.Instruments[i].Entry]
	}
}
