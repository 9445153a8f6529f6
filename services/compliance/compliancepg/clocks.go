package compliancepg

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

// clockColumns are rows of clocks column by column.
type clockColumns struct {
	unit                            []uuid.UUID
	pack, rule                      []string
	revision                        []int64
	from, until                     []*time.Time
	anchored                        []bool
	entry                           []*uuid.UUID
	activity                        []string
	baseline                        []int16
	anchor                          []*time.Time
	anchorMonth                     []bool
	occurred                        []*time.Time
	mark                            []*time.Time
	markMonth                       []bool
	due                             []*time.Time
	usedDives, usedHours, usedFills []int64
	terms                           termColumns
	expected, usage                 []*time.Time
	soon, spent                     []bool
	dateBlocks, usageBlocks         []int16
	shop, zone, kind                []string
}

func (c *clockColumns) add(f due.Facts, d *due.Derived, k *due.Clock) {
	until, _ := dateOf(k.InForceUntil)
	anchor, anchorMonth := dateOf(k.AnchorDate)
	mark, markMonth := dateOf(k.AnchorMark)
	dueOn, _ := dateOf(k.DueOn)
	expected, _ := dateOf(k.ExpectedOn)
	day, spent, soon, limited := compliance.UsageOf(k)
	var usage *time.Time
	if limited {
		usage = dayOf(day)
	}
	c.unit, c.pack, c.rule, c.revision = append(c.unit, k.Unit), append(c.pack, k.Pack.ID), append(c.rule, k.Rule.ID), append(c.revision, k.Pack.Revision)
	c.from, c.until = append(c.from, dayOf(k.InForceFrom)), append(c.until, until)
	c.anchored, c.entry = append(c.anchored, !k.AnchorDate.IsZero()), append(c.entry, idOf(k.AnchorEntry))
	c.activity, c.baseline = append(c.activity, k.AnchorActivity), append(c.baseline, int16(k.AnchorBaseline))
	c.anchor, c.anchorMonth = append(c.anchor, anchor), append(c.anchorMonth, anchorMonth)
	c.occurred, c.mark, c.markMonth = append(c.occurred, instant(k.AnchorOccurred)), append(c.mark, mark), append(c.markMonth, markMonth)
	c.due, c.expected = append(c.due, dueOn), append(c.expected, expected)
	c.usedDives, c.usedHours, c.usedFills = append(c.usedDives, k.Used.Dives), append(c.usedHours, int64(k.Used.Hours)), append(c.usedFills, k.Used.Fills)
	c.terms.add(k)
	c.usage, c.soon, c.spent = append(c.usage, usage), append(c.soon, soon), append(c.spent, spent)
	c.dateBlocks, c.usageBlocks = append(c.dateBlocks, int16(dateBlocks(d, k))), append(c.usageBlocks, int16(k.Rule.Blocks))
	c.shop, c.zone, c.kind = append(c.shop, d.Stay.Shop), append(c.zone, zoneOf(d.Stay).String()), append(c.kind, f.Kind)
}

func (c *clockColumns) queue(batch *pgx.Batch, org tenant.Org) {
	if len(c.unit) == 0 {
		return
	}
	batch.Queue(`insert into clocks (org_id, unit_id, pack, rule, revision, in_force_from, in_force_until, anchored, anchor_entry, anchor_activity,
			anchor_baseline, anchor_on, anchor_month, anchor_occurred, anchor_mark_on, anchor_mark_month, due_on, used_dives, used_hours, used_fills,
			expected_on, usage_on, usage_soon, spent, date_blocks, usage_blocks, shop, zone, kind, `+termFields+`)
		select $1, c.* from unnest($2::uuid[], $3::text[], $4::text[], $5::bigint[], $6::date[], $7::date[], $8::boolean[], $9::uuid[], $10::text[],
			$11::smallint[], $12::date[], $13::boolean[], $14::timestamptz[], $15::date[], $16::boolean[], $17::date[], $18::bigint[], $19::bigint[],
			$20::bigint[], $21::date[], $22::date[], $23::boolean[], $24::boolean[], $25::smallint[], $26::smallint[], $27::text[], $28::text[], $29::text[], `+termTypes+`) as c`,
		append([]any{org.UUID, c.unit, c.pack, c.rule, c.revision, c.from, c.until, c.anchored, c.entry, c.activity, c.baseline, c.anchor, c.anchorMonth, c.occurred,
			c.mark, c.markMonth, c.due, c.usedDives, c.usedHours, c.usedFills, c.expected, c.usage, c.soon, c.spent, c.dateBlocks, c.usageBlocks, c.shop, c.zone, c.kind}, c.terms.values()...)...)
}

const clockFields = `c.unit_id, c.pack, c.rule, c.revision, c.in_force_from, c.in_force_until, c.anchor_entry, c.anchor_activity, c.anchor_baseline,
	c.anchor_on, c.anchor_month, c.anchor_occurred, c.anchor_mark_on, c.anchor_mark_month, c.due_on, c.used_dives, c.used_hours, c.used_fills, c.expected_on,
	c.months, c.month_stamp, c.limit_dives, c.limit_hours, c.limit_fills, c.basis, c.basis_entry, c.basis_until, c.rejected, c.rejected_why, c.anchor_late,
	c.anchor_expiry_on, c.anchor_expiry_month, c.estimated_dives, c.estimated_hours, c.estimated_fills, c.phase_in_on, c.waivers`

// clockScan is the target of a row of clockFields.
type clockScan struct {
	rules                                  ruleIndex
	unit                                   uuid.UUID
	pack, rule, activity                   string
	revision                               int64
	from                                   time.Time
	until, anchor, occurred, mark, due, ex *time.Time
	entry                                  *uuid.UUID
	baseline                               int16
	anchorMonth, markMonth                 bool
	dives, hours, fills                    int64
	terms                                  termScan
}

func (s *clockScan) targets() []any {
	return append([]any{
		&s.unit, &s.pack, &s.rule, &s.revision, &s.from, &s.until, &s.entry, &s.activity, &s.baseline, &s.anchor, &s.anchorMonth, &s.occurred,
		&s.mark, &s.markMonth, &s.due, &s.dives, &s.hours, &s.fills, &s.ex,
	}, s.terms.targets()...)
}

// clock returns the row as the clock that was stored.
func (s *clockScan) clock() (due.Clock, error) {
	r, ok := s.rules[ruleKey{s.pack, s.revision, s.rule}]
	if !ok {
		return due.Clock{}, errs.New(errs.Internal, "INTERNAL", "a stored clock is of a rule that is not stored", "pack", s.pack, "revision", fmt.Sprint(s.revision), "rule", s.rule)
	}
	c := due.Clock{
		Unit: s.unit, Pack: r.pack, Rule: r.rule, InForceFrom: civil.In(s.from, time.UTC), InForceUntil: markOf(s.until, false),
		AnchorActivity: s.activity, AnchorBaseline: due.Baseline(s.baseline), AnchorDate: markOf(s.anchor, s.anchorMonth),
		AnchorOccurred: instantOf(s.occurred), AnchorMark: markOf(s.mark, s.markMonth), DueOn: markOf(s.due, false),
		Used: due.Amount{Dives: s.dives, Hours: time.Duration(s.hours), Fills: s.fills}, ExpectedOn: markOf(s.ex, false),
	}
	if s.entry != nil {
		c.AnchorEntry = *s.entry
	}
	s.terms.into(&c)
	return c, nil
}

type ruleKey struct {
	pack     string
	revision int64
	rule     string
}

type ruleRef struct {
	pack *due.Pack
	rule *due.Rule
}

// ruleIndex finds a rule by its pack, revision and id.
type ruleIndex map[ruleKey]ruleRef

func indexRules(packs []due.Pack) ruleIndex {
	x := ruleIndex{}
	for i := range packs {
		for j := range packs[i].Rules {
			x[ruleKey{packs[i].ID, packs[i].Revision, packs[i].Rules[j].ID}] = ruleRef{&packs[i], &packs[i].Rules[j]}
		}
	}
	return x
}

// readClocks returns the stored clocks of units, by unit, in the order in which due derives them.
func readClocks(ctx context.Context, tx pgx.Tx, org tenant.Org, rules ruleIndex, units []uuid.UUID) (map[uuid.UUID][]due.Clock, error) {
	rows, err := tx.Query(ctx, `select `+clockFields+` from clocks as c where c.org_id = $1 and c.unit_id = any ($2)`, org.UUID, units)
	if err != nil {
		return nil, pg.Err(err)
	}
	out := make(map[uuid.UUID][]due.Clock, len(units))
	s := clockScan{rules: rules}
	_, err = pgx.ForEachRow(rows, s.targets(), func() error {
		c, err := s.clock()
		out[c.Unit] = append(out[c.Unit], c)
		return err
	})
	for _, clocks := range out {
		sortClocks(clocks)
	}
	return out, pg.Err(err)
}

// dateBlocks returns what the clock blocks once its date limit has passed, as due judges it: on the day after.
func dateBlocks(d *due.Derived, k *due.Clock) due.Use {
	if k.DueOn.IsZero() {
		return k.Rule.Blocks
	}
	alone := *d
	alone.Holds, alone.Commissioned, alone.Retired = nil, civil.Mark{}, time.Time{}
	clock := *k
	clock.InForceFrom, clock.InForceUntil = k.DueOn.First(), civil.Mark{}
	clock.PhaseIn, clock.Waivers = civil.Mark{}, nil // what excuses it has its own column
	alone.Clocks = []due.Clock{clock}
	day := clock.DueOn.First().AddDays(1).Start(zoneOf(d.Stay))
	var blocks due.Use
	for _, r := range due.Stand(&alone, nil, day).Reasons {
		if r.Clock != nil && (r.Code == due.DateLimitPassed || r.Code == due.EndOfLife && r.Measure == 0) {
			blocks |= r.Blocks
		}
	}
	return blocks
}

// dayOf returns a date as a column's value.
func dayOf(d civil.Date) *time.Time {
	t := d.Start(time.UTC)
	return &t
}

func zoneOf(s due.Stay) *time.Location {
	if s.Zone == nil {
		return time.UTC
	}
	return s.Zone
}

// sortClocks puts clocks in the order in which due derives them: by pack, first day in force, and place in the pack.
func sortClocks(clocks []due.Clock) {
	place := func(c *due.Clock) int {
		for i := range c.Pack.Rules {
			if &c.Pack.Rules[i] == c.Rule {
				return i
			}
		}
		return len(c.Pack.Rules)
	}
	slices.SortFunc(clocks, func(a, b due.Clock) int {
		return cmp.Or(strings.Compare(a.Pack.ID, b.Pack.ID), cmp.Compare(a.InForceFrom, b.InForceFrom), cmp.Compare(place(&a), place(&b)))
	})
}
