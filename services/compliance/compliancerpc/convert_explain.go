package compliancerpc

import (
	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// Bounds of the uses listed in one answer.
const (
	maxUses    = 500    // of one clock
	maxAllUses = 20_000 // of all its clocks
)

// explanationsPB returns the messages of clocks told link by link, as they stand on a day. tally returns what a unit went through; it
// is asked at most once for each unit.
func explanationsPB(clocks []*due.Clock, on civil.Date, n naming, tally func(unit uuid.UUID) *due.Tally) []*compliancepb.ClockExplanation {
	tallies := map[uuid.UUID]*due.Tally{}
	limited := 0
	for _, c := range clocks {
		if c.Limit != (due.Amount{}) {
			limited++
		}
	}
	most := min(maxUses, maxAllUses/max(1, limited))
	out := make([]*compliancepb.ClockExplanation, len(clocks))
	of := func(unit uuid.UUID) *due.Tally {
		t, ok := tallies[unit]
		if !ok {
			t = tally(unit)
			tallies[unit] = t
		}
		return t
	}
	for i, c := range clocks {
		owner := c.Unit
		if c.Basis == due.BasisIntense { // the use may be of a unit that this one was fitted to
			owner = of(c.Unit).Of(c.BasisEntry)
		}
		out[i] = explanationPB(c, on, n, owner)
		if c.Limit == (due.Amount{}) {
			continue
		}
		uses, omitted := of(c.Unit).Against(c, most)
		out[i].OmittedUseCount = int64(omitted)
		for k := range uses {
			out[i].Uses = append(out[i].Uses, countedPB(&uses[k], n))
		}
	}
	return out
}

// explanationPB returns the message of a clock and the links of its chain, without its uses. used is the unit that the entry of its
// basis is of, if that is a use.
func explanationPB(c *due.Clock, on civil.Date, n naming, used uuid.UUID) *compliancepb.ClockExplanation {
	out := &compliancepb.ClockExplanation{Clock: clockPB(c, on, n, false)}
	for _, s := range c.Steps(on, n.names(c.Unit)) {
		p := &compliancepb.ExplanationStep{Kind: compliancepb.ExplanationStep_Kind(s.Kind), Sentence: s.Sentence, Date: datePB(s.On)}
		if s.Entry != (uuid.UUID{}) {
			p.Entry = n.entry(c.Unit, s.Entry)
			if s.Kind == due.StepInterval && s.Entry == c.BasisEntry {
				p.Entry = n.entry(used, s.Entry)
			}
		}
		out.Steps = append(out.Steps, p)
		out.Clock.Explanation = append(out.Clock.Explanation, s.Sentence)
	}
	return out
}

// countedPB returns the message of a use that a clock counted.
func countedPB(u *due.Counted, n naming) *compliancepb.CountedUse {
	out := &compliancepb.CountedUse{
		Entry: n.entry(u.Unit, u.Entry), OccurredTime: timestamppb.New(u.At), Dives: u.Amount.Dives, Fills: u.Amount.Fills,
		Estimated: u.Estimated, Metered: u.Metered,
	}
	if u.Amount.Hours > 0 {
		out.RunningTime = durationpb.New(u.Amount.Hours)
	}
	return out
}
