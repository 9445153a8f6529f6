package compliancepg

import (
	"context"
	"encoding/json"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// entryColumns are rows of p_entries column by column, which is how they are inserted in one statement.
type entryColumns struct {
	unit, entry         []uuid.UUID
	sequence            []int64
	occurred, recorded  []time.Time
	kind                []int16
	dives, hours, fills []int64
	meter               []int16
	replaced            []bool
	replacement         []int64
	rollover            []int64
	estimated           []bool
	celsius             []*int16
	activities          []string // separated by commas, which no activity contains: unnest would flatten an array of arrays
	outcome             []int16
	marked              []*time.Time
	markedMonth         []bool
	condition           []string
	pull                []bool
	corrects            []*uuid.UUID
	correct             []*string
}

func newEntryColumns(n int) *entryColumns {
	return &entryColumns{
		unit: make([]uuid.UUID, n), entry: make([]uuid.UUID, n), sequence: make([]int64, n), occurred: make([]time.Time, n),
		recorded: make([]time.Time, n), kind: make([]int16, n), dives: make([]int64, n), hours: make([]int64, n), fills: make([]int64, n),
		meter: make([]int16, n), replaced: make([]bool, n), replacement: make([]int64, n), rollover: make([]int64, n),
		estimated: make([]bool, n), celsius: make([]*int16, n), activities: make([]string, n), outcome: make([]int16, n),
		marked: make([]*time.Time, n), markedMonth: make([]bool, n), condition: make([]string, n), pull: make([]bool, n),
		corrects: make([]*uuid.UUID, n), correct: make([]*string, n),
	}
}

func (c *entryColumns) set(i int, e entryRow) error {
	c.unit[i], c.entry[i], c.sequence[i], c.occurred[i], c.recorded[i], c.kind[i] = e.Unit, e.ID, e.sequence, e.Occurred, e.Recorded, int16(e.Kind)
	c.dives[i], c.hours[i], c.fills[i] = e.Amount.Dives, int64(e.Amount.Hours), e.Amount.Fills
	if e.Reading {
		c.meter[i], c.replaced[i], c.replacement[i], c.rollover[i] = int16(e.Meter), e.Replaced, measured(e.Replacement, e.Meter), e.Rollover
	}
	c.estimated[i] = e.Estimated
	if e.HasCelsius {
		c.celsius[i] = &e.Celsius
	}
	c.activities[i], c.outcome[i] = strings.Join(e.Activities, ","), int16(e.Outcome)
	c.marked[i], c.markedMonth[i] = dateOf(e.Mark)
	c.condition[i], c.pull[i] = e.Condition, e.Pull
	if e.Kind != due.Amendment {
		return nil
	}
	c.corrects[i] = &e.Corrects
	if e.Correct != nil {
		body, err := json.Marshal(replacementOf(e.Correct))
		if err != nil {
			return err
		}
		text := string(body)
		c.correct[i] = &text
	}
	return nil
}

func (c *entryColumns) insert(ctx context.Context, tx pgx.Tx, org tenant.Org) error {
	_, err := tx.Exec(ctx, `insert into p_entries (org_id, unit_id, entry_id, sequence, occurred, recorded, kind, dives, hours, fills, meter, replaced,
			replacement, activities, outcome, marked_on, marked_month, condition, pull, corrects, correct, rollover, estimated, celsius)
		select $1, unit_id, entry_id, sequence, occurred, recorded, kind, dives, hours, fills, meter, replaced, replacement,
			string_to_array(activities, ','), outcome, marked_on, marked_month, condition, pull, corrects, correct::jsonb, rollover, estimated, celsius
		from unnest($2::uuid[], $3::uuid[], $4::bigint[], $5::timestamptz[], $6::timestamptz[], $7::smallint[], $8::bigint[], $9::bigint[],
			$10::bigint[], $11::smallint[], $12::boolean[], $13::bigint[], $14::text[], $15::smallint[], $16::date[], $17::boolean[], $18::text[],
			$19::boolean[], $20::uuid[], $21::text[], $22::bigint[], $23::boolean[], $24::smallint[])
			as e (unit_id, entry_id, sequence, occurred, recorded, kind, dives, hours, fills, meter, replaced, replacement, activities, outcome,
				marked_on, marked_month, condition, pull, corrects, correct, rollover, estimated, celsius)`,
		org.UUID, c.unit, c.entry, c.sequence, c.occurred, c.recorded, c.kind, c.dives, c.hours, c.fills, c.meter, c.replaced, c.replacement,
		c.activities, c.outcome, c.marked, c.markedMonth, c.condition, c.pull, c.corrects, c.correct,
		c.rollover, c.estimated, c.celsius)
	return pg.Err(err)
}

// replacementRow is an amendment's replacement as it is stored.
type replacementRow struct {
	Occurred    time.Time `json:"occurred"`
	Kind        int16     `json:"kind"`
	Dives       int64     `json:"dives,omitempty"`
	Hours       int64     `json:"hours,omitempty"`
	Fills       int64     `json:"fills,omitempty"`
	Meter       int16     `json:"meter,omitempty"`
	Replaced    bool      `json:"replaced,omitempty"`
	Replacement int64     `json:"replacement,omitempty"`
	Rollover    int64     `json:"rollover,omitempty"`
	Estimated   bool      `json:"estimated,omitempty"`
	Celsius     *int16    `json:"celsius,omitempty"`
	Activities  []string  `json:"activities,omitempty"`
	Outcome     int16     `json:"outcome,omitempty"`
	Mark        [3]int    `json:"mark"`
	Condition   string    `json:"condition,omitempty"`
	Pull        bool      `json:"pull,omitempty"`
}

func replacementOf(e *due.Entry) replacementRow {
	r := replacementRow{
		Occurred: e.Occurred, Kind: int16(e.Kind), Dives: e.Amount.Dives, Hours: int64(e.Amount.Hours), Fills: e.Amount.Fills,
		Activities: e.Activities, Outcome: int16(e.Outcome), Condition: e.Condition, Pull: e.Pull, Estimated: e.Estimated,
	}
	if e.HasCelsius {
		r.Celsius = &e.Celsius
	}
	r.Mark[0], r.Mark[1], r.Mark[2] = e.Mark.Parts()
	if e.Reading {
		r.Meter, r.Replaced, r.Replacement, r.Rollover = int16(e.Meter), e.Replaced, measured(e.Replacement, e.Meter), e.Rollover
	}
	return r
}

func (r replacementRow) entry(amendment due.Entry) *due.Entry {
	e := &due.Entry{
		ID: amendment.Corrects, Unit: amendment.Unit, Occurred: r.Occurred.UTC(), Recorded: amendment.Recorded, Kind: due.Kind(r.Kind),
		Amount:     due.Amount{Dives: r.Dives, Hours: time.Duration(r.Hours), Fills: r.Fills},
		Activities: r.Activities, Outcome: due.Outcome(r.Outcome), Condition: r.Condition, Pull: r.Pull, Estimated: r.Estimated, Rollover: r.Rollover,
	}
	if r.Celsius != nil {
		e.Celsius, e.HasCelsius = *r.Celsius, true
	}
	if r.Mark[0] != 0 {
		e.Mark, _ = civil.MarkOf(r.Mark[0], r.Mark[1], r.Mark[2])
	}
	if r.Meter != 0 {
		e.Reading, e.Meter, e.Replaced, e.Replacement = true, due.Measure(r.Meter), r.Replaced, amountOf(r.Replacement, due.Measure(r.Meter))
	}
	return e
}

func measured(a due.Amount, m due.Measure) int64 {
	switch m {
	case due.Dives:
		return a.Dives
	case due.Hours:
		return int64(a.Hours)
	}
	return a.Fills
}

func amountOf(n int64, m due.Measure) due.Amount {
	switch m {
	case due.Dives:
		return due.Amount{Dives: n}
	case due.Hours:
		return due.Amount{Hours: time.Duration(n)}
	}
	return due.Amount{Fills: n}
}

// dateOf returns a mark as a date column and a flag for a month mark.
func dateOf(m civil.Mark) (*time.Time, bool) {
	if m.IsZero() {
		return nil, false
	}
	t := m.First().Start(time.UTC)
	return &t, m.IsMonth()
}

func markOf(t *time.Time, month bool) civil.Mark {
	if t == nil {
		return civil.Mark{}
	}
	y, m, _ := t.Date()
	if month {
		return civil.Month(y, m)
	}
	return civil.Day(civil.In(*t, time.UTC))
}

// instant returns a column's value: nil for the zero instant.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func instantOf(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

func attributes(m map[string]string) map[string]string {
	if m == nil {
		return map[string]string{}
	}
	return m
}
