package compliancerpc

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// Evaluate answers a question that carries everything its answer depends on. It needs no server and no database.
// Errors: INVALID_FIELD, RULE_PACK_INVALID, RULE_NOT_WAIVABLE, AMENDMENT_TARGET, FITTING_OVERLAP, FITTING_CYCLE, each with a violation per field.
func Evaluate(req *compliancepb.EvaluateRequest) (*compliancepb.EvaluateResponse, error) {
	if err := rpc.Validate(req); err != nil {
		return nil, err
	}
	q, violations := readQuestion(req)
	if len(violations) > 0 {
		return nil, errs.Fields(violations...)
	}
	at := instantOf(req.GetInstant())
	known := instantOf(req.GetKnownTime())
	self := due.Derive(q.input, at, known)
	var parts []*due.Derived
	for _, id := range due.PartsAt(q.input.Fittings, q.input.Unit, at) {
		in := q.input
		in.Unit = id
		d := due.Derive(in, at, known)
		parts = append(parts, &d)
	}
	s := due.Stand(&self, parts, at)
	out := standingPB(&s, q.naming(), true)
	asked := q.facts(q.input.Unit)
	out.AssetTag, out.Kind, out.Size = q.tag(q.input.Unit), asked.Kind, asked.Size
	out.KnownTime = instantPB(known)
	out.Waivers = excusing(&s, q.input.Waivers, at, known, q.naming())
	q.callByName(out)
	clocks := explanationsPB(s.Clocks, s.On, q.naming(), func(unit uuid.UUID) *due.Tally {
		in := q.input
		in.Unit = unit
		return due.Tallied(in, at, known)
	})
	return &compliancepb.EvaluateResponse{Standing: out, Clocks: clocks}, nil
}

// question is a request as due takes it, and how the request calls things.
type question struct {
	input   due.Input
	units   *called
	entries *called
	packs   map[string]string // by id: the name given
}

func (q *question) facts(unit uuid.UUID) *due.Facts {
	for i := range q.input.Units {
		if q.input.Units[i].Unit == unit {
			return &q.input.Units[i]
		}
	}
	return &due.Facts{}
}

// tag returns what the request calls a unit, if that is a tag and not a resource name.
func (q *question) tag(unit uuid.UUID) string {
	if name := q.units.name(unit); !strings.Contains(name, "units/") {
		return name
	}
	return ""
}

// naming names things as the request does.
func (q *question) naming() naming {
	return naming{
		unit:   q.units.name,
		entry:  func(_, e uuid.UUID) string { return q.entries.name(e) },
		hold:   func(u uuid.UUID, h string) string { return q.units.name(u) + "/holds/" + h },
		waiver: func(u uuid.UUID, w string) string { return q.units.name(u) + "/waivers/" + w },
		rule:   func(p, r string) string { return q.packs[p] + "/rules/" + r },
		shop:   func(s string) string { return s },
		tag:    q.units.name,
	}
}

// callByName puts the request's own names of entries in the sentences of holds, which due writes with the UUIDs it was given.
func (q *question) callByName(s *compliancepb.Standing) {
	for _, h := range s.GetHolds() {
		h.Reason = q.entries.replace(h.GetReason())
	}
	for _, r := range s.GetReasons() {
		r.Sentence = q.entries.replace(r.GetSentence())
	}
}

// earliest and latest bound the instants of a question: those whose civil dates a mark can name.
var (
	earliest = time.Date(1900, 1, 2, 0, 0, 0, 0, time.UTC)
	latest   = time.Date(2999, 12, 30, 0, 0, 0, 0, time.UTC)
)
