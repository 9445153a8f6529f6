package compliancerpc

import (
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance/due"
)

// naming says how an answer names things: a stored org's resources, or what a question itself called them.
type naming struct {
	unit   func(uuid.UUID) string
	entry  func(unit, entry uuid.UUID) string
	hold   func(unit uuid.UUID, hold string) string
	waiver func(unit uuid.UUID, waiver string) string
	rule   func(pack, rule string) string
	shop   func(string) string
	tag    func(uuid.UUID) string // how sentences call a unit
	said   func(uuid.UUID) string // how sentences call an entry; by its name if nil
}

// orgNaming names the resources of an org. tag says how sentences call a unit; by its resource name if nil.
func orgNaming(org tenant.Org, tag func(uuid.UUID) string) naming {
	n := naming{
		unit:   func(u uuid.UUID) string { return resname.UnitName(org, u) },
		entry:  func(u, e uuid.UUID) string { return resname.EntryName(org, u, e) },
		hold:   func(u uuid.UUID, h string) string { return resname.HoldName(org, u, h) },
		waiver: func(u uuid.UUID, w string) string { return resname.WaiverName(org, u, w) },
		rule:   func(p, r string) string { return resname.RuleName(org, p, r) },
		shop:   func(s string) string { return resname.ShopName(org, s) },
		tag:    tag,
		said:   func(e uuid.UUID) string { return e.String()[:8] }, // enough to find it by; the name stands beside the sentence
	}
	if tag == nil {
		n.tag = n.unit
	}
	return n
}

// names returns how sentences about a unit call units and entries.
func (n naming) names(unit uuid.UUID) due.Names {
	said := n.said
	if said == nil {
		said = func(e uuid.UUID) string { return n.entry(unit, e) }
	}
	return due.Names{Unit: n.tag, Entry: said}
}

// standingPB returns the message of a standing. Tag, kind, size and known time, which due does not know, are left to the
// caller. Explanations are made only if asked for.
func standingPB(s *due.Standing, n naming, explain bool) *compliancepb.Standing {
	out := &compliancepb.Standing{
		Unit: n.unit(s.Unit), Shop: n.shop(s.Stay.Shop), Instant: timestamppb.New(s.At), MayHandOut: s.MayHandOut, MayFill: s.MayFill,
		State: compliancepb.Clock_State(s.State), Cautions: s.Cautions,
	}
	if s.Fitted() {
		out.Host = n.unit(s.Host)
	}
	for i := range s.Reasons {
		out.Reasons = append(out.Reasons, reasonPB(&s.Reasons[i], n))
	}
	for _, c := range s.Clocks {
		out.Clocks = append(out.Clocks, clockPB(c, s.On, n, explain))
	}
	for _, h := range s.Holds {
		out.Holds = append(out.Holds, holdPB(h, n))
	}
	for _, p := range s.Parts {
		out.Parts = append(out.Parts, n.unit(p))
	}
	return out
}

// reasonPB returns the message of a reason.
func reasonPB(r *due.Reason, n naming) *compliancepb.StandingReason {
	names := n.names(r.Unit)
	out := &compliancepb.StandingReason{
		Code: typepb.Reason(typepb.Reason_value["REASON_"+string(r.Code)]), Blocks: usesPB(r.Blocks),
		Sentence: r.Sentence(names), Clears: r.Clears(names), Unit: n.unit(r.Unit),
	}
	if r.Clock != nil {
		out.Rule = n.rule(r.Clock.Pack.ID, r.Clock.Rule.ID)
	}
	if r.Hold != nil {
		out.Hold = n.hold(r.Unit, r.Hold.ID)
		if r.Hold.Rule != "" {
			out.Rule = n.rule(r.Hold.Pack, r.Hold.Rule)
		}
	}
	return out
}

// clockPB returns the message of a clock as it stands on a day.
func clockPB(c *due.Clock, on civil.Date, n naming, explain bool) *compliancepb.Clock {
	r := c.Rule
	out := &compliancepb.Clock{
		Rule: n.rule(c.Pack.ID, r.ID), Title: r.Title, Activity: r.Activity, Authority: compliancepb.Authority(r.Authority),
		Source: &compliancepb.Source{
			Document: r.Source.Document, Section: r.Source.Section, Edition: r.Source.Edition, FromMemory: r.Source.FromMemory,
		},
		Unit: n.unit(c.Unit), State: compliancepb.Clock_State(c.State(on)), Blocking: c.Blocking(on), Blocks: usesPB(r.Blocks),
		AnchorBaseline: compliancepb.Baseline(c.AnchorBaseline), AnchorDate: datePB(c.AnchorDate), DueDate: datePB(c.DueOn),
		DivesUsed: c.Used.Dives, RunningTimeUsed: durationpb.New(c.Used.Hours), FillsUsed: c.Used.Fills,
		ExpectedDate: datePB(c.ExpectedOn), Limit: limitPB(c), EndOfLife: r.EndOfLife,
	}
	if c.AnchorEntry != (uuid.UUID{}) {
		out.AnchorEntry = n.entry(c.Unit, c.AnchorEntry)
	}
	left := c.Left()
	if c.Limit.Dives > 0 {
		out.DivesLeft = new(max(0, left.Dives))
	}
	if c.Limit.Hours > 0 {
		out.RunningTimeLeft = durationpb.New(max(0, left.Hours))
	}
	if c.Limit.Fills > 0 {
		out.FillsLeft = new(max(0, left.Fills))
	}
	out.PhaseInDate, out.BenchMinutes = datePB(c.PhaseIn), int32(r.BenchMinutes)
	out.DivesEstimated, out.FillsEstimated = c.Estimated.Dives, c.Estimated.Fills
	if c.Estimated.Hours > 0 {
		out.RunningTimeEstimated = durationpb.New(c.Estimated.Hours)
	}
	if id, ok := c.Excused(on); ok && id != "" {
		out.Waiver = n.waiver(c.Unit, id)
	}
	if explain {
		out.Explanation = c.Explain(on, n.names(c.Unit))
	}
	return out
}

func limitPB(c *due.Clock) *compliancepb.Limit {
	out := &compliancepb.Limit{Months: int32(c.Months), Dives: c.Limit.Dives, Fills: c.Limit.Fills, MonthStamped: c.MonthStamp}
	if c.Limit.Hours > 0 {
		out.RunningTime = durationpb.New(c.Limit.Hours)
	}
	return out
}

// holdPB returns the message of a hold.
func holdPB(h *due.Hold, n naming) *compliancepb.Hold {
	out := &compliancepb.Hold{
		Name: n.hold(h.Unit, h.ID), Cause: compliancepb.Hold_Cause(h.Cause), Reason: h.Reason, Blocks: usesPB(h.Blocks),
		OpenTime: timestamppb.New(h.Opened), ClearedBy: h.ClearedBy, Placer: h.Placer, LiftTime: instantPB(h.Lifted),
		Lifter: h.Lifter, LiftReason: h.LiftReason,
	}
	if h.Entry != (uuid.UUID{}) {
		out.Entry = n.entry(h.Unit, h.Entry)
	}
	if h.Rule != "" {
		out.Rule = n.rule(h.Pack, h.Rule)
	}
	if h.Proof != (uuid.UUID{}) {
		out.Lifter = n.entry(h.Unit, h.Proof)
	}
	return out
}

func usesOf(ps []compliancepb.Use) (u due.Use) {
	for _, p := range ps {
		switch p {
		case compliancepb.Use_USE_HAND_OUT:
			u |= due.HandOut
		case compliancepb.Use_USE_FILL:
			u |= due.Fill
		}
	}
	return u
}

func usesPB(u due.Use) (out []compliancepb.Use) {
	if u&due.HandOut != 0 {
		out = append(out, compliancepb.Use_USE_HAND_OUT)
	}
	if u&due.Fill != 0 {
		out = append(out, compliancepb.Use_USE_FILL)
	}
	return out
}

// datePB returns the date of a mark, day 0 for a month; nil for none.
func datePB(m civil.Mark) *date.Date {
	if m.IsZero() {
		return nil
	}
	y, mo, d := m.Parts()
	return &date.Date{Year: int32(y), Month: int32(mo), Day: int32(d)}
}

// instantPB returns the timestamp of an instant; nil for the zero one.
func instantPB(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// dateText writes a date that may not exist, for a violation.
func dateText(d *date.Date) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}
