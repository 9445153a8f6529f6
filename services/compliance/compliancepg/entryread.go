package compliancepg

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// history is the entries of a unit, in runs that derivations share.
type history [][]due.Entry

// readEntries returns the entries of units, by unit: the increments in the order they occurred, and the rest in no particular order.
func readEntries(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID) (map[uuid.UUID]history, error) {
	out := make(map[uuid.UUID]history, len(units))
	if err := readIncrements(ctx, tx, org, units, out); err != nil {
		return nil, err
	}
	return out, readRest(ctx, tx, org, units, out)
}

// readRest adds to the histories of units what is not an increment.
func readRest(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, into map[uuid.UUID]history) error {
	rows, err := tx.Query(ctx, `select e.unit_id, e.entry_id, e.occurred, e.recorded, e.kind, e.dives, e.hours, e.fills, e.meter, e.replaced, e.replacement, e.activities,
			e.outcome, e.marked_on, e.marked_month, e.condition, e.pull, e.corrects, e.correct::text, e.rollover, e.estimated, e.celsius
		from `+keys("$2")+` cross join lateral (
			select * from p_entries as e where e.org_id = $1 and e.unit_id = k.unit_id and (e.kind <> 1 or e.meter <> 0) offset 0
		) as e`, org.UUID, units)
	if err != nil {
		return pg.Err(err)
	}
	rest := map[uuid.UUID][]due.Entry{}
	var e due.Entry
	var kind, meter, outcome int16
	var hours, replacement int64
	var marked *time.Time
	var month bool
	var corrects *uuid.UUID
	var correct *string
	var celsius *int16
	_, err = pgx.ForEachRow(rows, []any{
		&e.Unit, &e.ID, &e.Occurred, &e.Recorded, &kind, &e.Amount.Dives, &hours, &e.Amount.Fills, &meter, &e.Replaced, &replacement, &e.Activities,
		&outcome, &marked, &month, &e.Condition, &e.Pull, &corrects, &correct,
		&e.Rollover, &e.Estimated, &celsius,
	}, func() error {
		row := e
		row.Occurred, row.Recorded = row.Occurred.UTC(), row.Recorded.UTC()
		row.Kind, row.Outcome, row.Amount.Hours = due.Kind(kind), due.Outcome(outcome), time.Duration(hours)
		if meter != 0 {
			row.Reading, row.Meter, row.Replacement = true, due.Measure(meter), amountOf(replacement, due.Measure(meter))
		}
		if celsius != nil {
			row.Celsius, row.HasCelsius = *celsius, true
		}
		row.Mark = markOf(marked, month)
		if corrects != nil {
			row.Corrects = *corrects
		}
		if correct != nil {
			var r replacementRow
			if err := json.Unmarshal([]byte(*correct), &r); err != nil {
				return err
			}
			row.Correct = r.entry(row)
		}
		rest[row.Unit] = append(rest[row.Unit], row)
		return nil
	})
	for unit, entries := range rest {
		into[unit] = append(into[unit], entries)
	}
	return pg.Err(err)
}
