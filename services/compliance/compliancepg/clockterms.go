package compliancepg

import (
	"encoding/json"
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// termColumns are the columns of clocks that say on what terms one runs: its limits for the unit, what set work aside, how much is
// estimated, and what excuses the unit.
type termColumns struct {
	months                             []int32
	stamp                              []bool
	dives, hours, fills                []int64
	basis                              []int16
	basisEntry                         []*uuid.UUID
	basisUntil                         []*time.Time
	rejected                           []*uuid.UUID
	why                                []int16
	late                               []bool
	expiry                             []*time.Time
	expiryMonth                        []bool
	guessDives, guessHours, guessFills []int64
	phaseIn                            []*time.Time
	waivers                            []string // JSON of []waivedRow
	excused                            []string // a datemultirange
}

const termFields = `months, month_stamp, limit_dives, limit_hours, limit_fills, basis, basis_entry, basis_until, rejected, rejected_why, anchor_late,
	anchor_expiry_on, anchor_expiry_month, estimated_dives, estimated_hours, estimated_fills, phase_in_on, waivers, excused`

const termTypes = `$30::integer[], $31::boolean[], $32::bigint[], $33::bigint[], $34::bigint[], $35::smallint[], $36::uuid[], $37::date[], $38::uuid[],
	$39::smallint[], $40::boolean[], $41::date[], $42::boolean[], $43::bigint[], $44::bigint[], $45::bigint[], $46::date[], $47::text[]::jsonb[],
	$48::text[]::datemultirange[]`

func (t *termColumns) values() []any {
	return []any{
		t.months, t.stamp, t.dives, t.hours, t.fills, t.basis, t.basisEntry, t.basisUntil, t.rejected, t.why, t.late, t.expiry, t.expiryMonth,
		t.guessDives, t.guessHours, t.guessFills, t.phaseIn, t.waivers, t.excused,
	}
}

func (t *termColumns) add(k *due.Clock) {
	until, _ := dateOf(k.BasisUntil)
	expiry, expiryMonth := dateOf(k.AnchorExpiry)
	phaseIn, _ := dateOf(k.PhaseIn)
	t.months, t.stamp = append(t.months, int32(k.Months)), append(t.stamp, k.MonthStamp)
	t.dives, t.hours, t.fills = append(t.dives, k.Limit.Dives), append(t.hours, int64(k.Limit.Hours)), append(t.fills, k.Limit.Fills)
	t.basis, t.basisEntry, t.basisUntil = append(t.basis, int16(k.Basis)), append(t.basisEntry, idOf(k.BasisEntry)), append(t.basisUntil, until)
	t.rejected, t.why, t.late = append(t.rejected, idOf(k.Rejected)), append(t.why, int16(k.RejectedWhy)), append(t.late, k.AnchorLate)
	t.expiry, t.expiryMonth = append(t.expiry, expiry), append(t.expiryMonth, expiryMonth)
	t.guessDives, t.guessHours = append(t.guessDives, k.Estimated.Dives), append(t.guessHours, int64(k.Estimated.Hours))
	t.guessFills, t.phaseIn = append(t.guessFills, k.Estimated.Fills), append(t.phaseIn, phaseIn)
	t.waivers, t.excused = append(t.waivers, waiversText(k.Waivers)), append(t.excused, excusedText(k))
}

// waivedRow is a due.Waived as it is stored.
type waivedRow struct {
	ID     string `json:"id"`
	From   int    `json:"from"` // days since 1970-01-01
	To     int    `json:"to"`
	Signer string `json:"signer"`
	Reason string `json:"reason"`
}

var epoch = civil.New(1970, time.January, 1)

func waiversText(all []due.Waived) string {
	if len(all) == 0 {
		return "[]"
	}
	rows := make([]waivedRow, len(all))
	for i, w := range all {
		rows[i] = waivedRow{w.ID, int(w.From - epoch), int(w.To - epoch), w.Signer, w.Reason}
	}
	text, err := json.Marshal(rows)
	if err != nil {
		panic(err) // strings and numbers
	}
	return string(text)
}

// excusedText writes the days on which something excuses the unit as a datemultirange.
func excusedText(k *due.Clock) string {
	if k.PhaseIn.IsZero() && len(k.Waivers) == 0 {
		return "{}"
	}
	var ranges []string
	if !k.PhaseIn.IsZero() {
		ranges = append(ranges, "(,"+k.PhaseIn.First().String()+"]")
	}
	for _, w := range k.Waivers {
		ranges = append(ranges, "["+w.From.String()+","+w.To.String()+"]")
	}
	return "{" + strings.Join(ranges, ",") + "}"
}

// termScan is the target of a row's terms.
type termScan struct {
	months                             int32
	stamp                              bool
	dives, hours, fills                int64
	basis, why                         int16
	basisEntry, rejected               *uuid.UUID
	until, expiry, phaseIn             *time.Time
	late, expiryMonth                  bool
	guessDives, guessHours, guessFills int64
	waivers                            []waivedRow
}

func (s *termScan) targets() []any {
	return []any{
		&s.months, &s.stamp, &s.dives, &s.hours, &s.fills, &s.basis, &s.basisEntry, &s.until, &s.rejected, &s.why, &s.late, &s.expiry, &s.expiryMonth,
		&s.guessDives, &s.guessHours, &s.guessFills, &s.phaseIn, &s.waivers,
	}
}

func (s *termScan) into(c *due.Clock) {
	c.Months, c.MonthStamp = int(s.months), s.stamp
	c.Limit = due.Amount{Dives: s.dives, Hours: time.Duration(s.hours), Fills: s.fills}
	c.Basis, c.BasisUntil, c.RejectedWhy, c.AnchorLate = due.Basis(s.basis), markOf(s.until, false), due.Why(s.why), s.late
	c.AnchorExpiry, c.PhaseIn = markOf(s.expiry, s.expiryMonth), markOf(s.phaseIn, false)
	c.Estimated = due.Amount{Dives: s.guessDives, Hours: time.Duration(s.guessHours), Fills: s.guessFills}
	if s.basisEntry != nil {
		c.BasisEntry = *s.basisEntry
	}
	if s.rejected != nil {
		c.Rejected = *s.rejected
	}
	for _, w := range s.waivers {
		c.Waivers = append(c.Waivers, due.Waived{ID: w.ID, From: epoch.AddDays(w.From), To: epoch.AddDays(w.To), Signer: w.Signer, Reason: w.Reason})
	}
}
