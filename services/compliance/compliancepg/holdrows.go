package compliancepg

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance/due"
)

// holdColumns are rows of unit_holds column by column.
type holdColumns struct {
	unit       []uuid.UUID
	id         []string
	cause      []int16
	reason     []string
	blocks     []int16
	opened     []time.Time
	lifted     []*time.Time
	entry      []*uuid.UUID
	pack, rule []string
	clearedBy  []string // separated by commas
	proof      []*uuid.UUID
	lifter     []string // of a recall that a person lifted
	liftReason []string
}

func (c *holdColumns) add(h *due.Hold) {
	c.unit, c.id, c.cause, c.reason = append(c.unit, h.Unit), append(c.id, h.ID), append(c.cause, int16(h.Cause)), append(c.reason, h.Reason)
	c.blocks, c.opened, c.lifted = append(c.blocks, int16(h.Blocks)), append(c.opened, h.Opened), append(c.lifted, instant(h.Lifted))
	c.entry, c.pack, c.rule = append(c.entry, idOf(h.Entry)), append(c.pack, h.Pack), append(c.rule, h.Rule)
	c.clearedBy, c.proof = append(c.clearedBy, strings.Join(h.ClearedBy, ",")), append(c.proof, idOf(h.Proof))
	c.lifter, c.liftReason = append(c.lifter, h.Lifter), append(c.liftReason, h.LiftReason)
}

func (c *holdColumns) queue(batch *pgx.Batch, org tenant.Org) {
	if len(c.unit) == 0 {
		return
	}
	batch.Queue(`insert into unit_holds (org_id, unit_id, hold_id, cause, reason, blocks, opened, lifted, entry_id, pack, rule, cleared_by, proof, lifter, lift_reason)
		select $1, unit_id, hold_id, cause, reason, blocks, opened, lifted, entry_id, pack, rule, string_to_array(cleared_by, ','), proof, lifter, lift_reason
		from unnest($2::uuid[], $3::text[], $4::smallint[], $5::text[], $6::smallint[], $7::timestamptz[], $8::timestamptz[], $9::uuid[], $10::text[],
			$11::text[], $12::text[], $13::uuid[], $14::text[], $15::text[])
			as h (unit_id, hold_id, cause, reason, blocks, opened, lifted, entry_id, pack, rule, cleared_by, proof, lifter, lift_reason)`,
		org.UUID, c.unit, c.id, c.cause, c.reason, c.blocks, c.opened, c.lifted, c.entry, c.pack, c.rule, c.clearedBy, c.proof, c.lifter, c.liftReason)
}

// holdFields of a derived hold, and manualFields of one that a person placed: the same columns, so that they can be put together.
const (
	holdFields = `h.unit_id, h.hold_id, h.cause, h.reason, h.blocks, h.opened, h.lifted, h.entry_id, h.pack, h.rule, h.cleared_by, h.proof,
		''::text as placer, h.lifter, h.lift_reason`
	manualFields = `h.unit_id, h.hold_id::text as hold_id, 1::smallint as cause, h.reason, h.blocks, h.placed as opened, h.lifted, null::uuid as entry_id,
		'' as pack, '' as rule, '{}'::text[] as cleared_by, null::uuid as proof, h.placer, h.lifter, h.lift_reason`
)

// holdScan is the target of a row of holdFields.
type holdScan struct {
	h             due.Hold
	cause, blocks int16
	lifted        *time.Time
	entry, proof  *uuid.UUID
}

func (s *holdScan) targets() []any {
	return []any{
		&s.h.Unit, &s.h.ID, &s.cause, &s.h.Reason, &s.blocks, &s.h.Opened, &s.lifted, &s.entry, &s.h.Pack, &s.h.Rule, &s.h.ClearedBy, &s.proof,
		&s.h.Placer, &s.h.Lifter, &s.h.LiftReason,
	}
}

func (s *holdScan) hold() due.Hold {
	h := s.h
	h.Cause, h.Blocks, h.Opened, h.Lifted = due.Cause(s.cause), due.Use(s.blocks), h.Opened.UTC(), instantOf(s.lifted)
	h.Entry, h.Proof = uuid.Nil, uuid.Nil
	if s.entry != nil {
		h.Entry = *s.entry
	}
	if s.proof != nil {
		h.Proof = *s.proof
	}
	if len(h.ClearedBy) == 0 {
		h.ClearedBy = nil
	}
	return h
}

// readHolds returns the holds of units, derived and where asked for placed by people, open and lifted, by unit and in the order in which due
// derives them.
func readHolds(ctx context.Context, tx pgx.Tx, org tenant.Org, units []uuid.UUID, placed bool) (map[uuid.UUID][]due.Hold, error) {
	rows, err := tx.Query(ctx, `select h.* from (
			select `+holdFields+` from unit_holds as h where h.org_id = $1 and h.unit_id = any ($2)
			union all
			select `+manualFields+` from holds_manual as h where $3 and h.org_id = $1 and h.unit_id = any ($2)
		) as h order by h.opened, h.hold_id collate "C"`, org.UUID, units, placed)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := map[uuid.UUID][]due.Hold{}
	var s holdScan
	_, err = pgx.ForEachRow(rows, s.targets(), func() error {
		h := s.hold()
		out[h.Unit] = append(out[h.Unit], h)
		return nil
	})
	return out, pg.Err(err)
}
