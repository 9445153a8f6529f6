package compliancepg

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// incrementsBefore is how many increments of a unit there is room for before a slice grows.
const incrementsBefore = 32

// readIncrements adds the uses of units that are not meter readings to their histories, in the order they occurred. They are nearly all that
// a ledger holds, so they are read from an index that has all there is to know of them, and from the wire without a detour.
func readIncrements(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, into map[uuid.UUID]history) error {
	rows, err := tx.Query(ctx, `select k.place, e.entry_id, e.occurred, e.recorded, e.dives, e.hours, e.fills, e.estimated, e.celsius
		from unnest($2::uuid[]) with ordinality as k (unit_id, place) cross join lateral (
			select * from p_entries as e where e.org_id = $1 and e.unit_id = k.unit_id and e.kind = 1 and e.meter = 0 order by e.occurred, e.entry_id
		) as e`, pgx.QueryResultFormats{pgx.BinaryFormatCode}, org.UUID, units)
	if err != nil {
		return pg.Err(err)
	}
	defer rows.Close()
	all := make([]due.Entry, 0, incrementsBefore*len(units))
	type span struct{ unit, from int }
	var spans []span
	for rows.Next() {
		w := wire{values: rows.RawValues()}
		place := w.int8() - 1
		if !w.bad && (place < 0 || int(place) >= len(units)) {
			w.bad = true
		}
		e := due.Entry{Kind: due.UsageEntry, ID: w.uuid(), Occurred: w.instant(), Recorded: w.instant()}
		e.Amount = due.Amount{Dives: w.int8(), Hours: time.Duration(w.int8()), Fills: w.int8()}
		e.Estimated = w.bool()
		e.Celsius, e.HasCelsius = w.int2OrNull()
		if w.bad || len(w.values) > 0 {
			return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("a use came over the wire in an unknown shape: %d values left of %d", len(w.values), len(rows.RawValues())))
		}
		e.Unit = units[place]
		if n := len(spans); n == 0 || spans[n-1].unit != int(place) {
			spans = append(spans, span{int(place), len(all)})
		}
		all = append(all, e)
	}
	for i, s := range spans {
		end := len(all)
		if i+1 < len(spans) {
			end = spans[i+1].from
		}
		into[units[s.unit]] = append(into[units[s.unit]], all[s.from:end:end])
	}
	return pg.Err(rows.Err())
}

// wire reads the values of a row in PostgreSQL's binary format, first to last. It is bad once one was not what it should be.
type wire struct {
	values [][]byte
	bad    bool
}

// next returns the next value, which must have so many bytes; zeroes if it does not.
func (w *wire) next(n int) []byte {
	if len(w.values) == 0 || len(w.values[0]) != n {
		w.bad = true
		return zeroes[:n]
	}
	v := w.values[0]
	w.values = w.values[1:]
	return v
}

var zeroes [16]byte

func (w *wire) int8() int64 { return int64(binary.BigEndian.Uint64(w.next(8))) }

func (w *wire) uuid() uuid.UUID { return uuid.UUID(w.next(16)) }

func (w *wire) bool() bool { return w.next(1)[0] != 0 }

// instant reads a timestamptz: microseconds since 2000.
func (w *wire) instant() time.Time { return time.UnixMicro(w.int8() + microsecondsTo2000).UTC() }

const microsecondsTo2000 = 946_684_800_000_000

func (w *wire) int2OrNull() (v int16, ok bool) {
	if len(w.values) > 0 && w.values[0] == nil {
		w.values = w.values[1:]
		return 0, false
	}
	return int16(binary.BigEndian.Uint16(w.next(2))), true
}
