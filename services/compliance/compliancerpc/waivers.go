package compliancerpc

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// GrantWaiver excuses a unit from a rule for a time. A unit that compliance has not seen yet is looked for in the registry's feed first.
func (s *Server) GrantWaiver(ctx context.Context, req *compliancepb.GrantWaiverRequest) (*compliancepb.GrantWaiverResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	unit, err := resname.Unit(org, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	asked := req.GetWaiver()
	w := due.Waiver{ID: strings.ToLower(req.GetWaiverId()), Unit: unit, Signer: strings.TrimSpace(asked.GetSigner()), Reason: strings.TrimSpace(asked.GetReason()), Granter: subject(ctx)}
	if w.ID == "" {
		w.ID = uuid.NewString()
	}
	if w.Pack, w.Rule, err = resname.Rule(org, "waiver.rule", asked.GetRule()); err != nil {
		return nil, err
	}
	var bad []errs.Violation
	if w.Signer == "" {
		bad = append(bad, errs.Violation{Field: "waiver.signer", Value: asked.GetSigner(), Description: "must say who signs"})
	}
	if w.Reason == "" {
		bad = append(bad, errs.Violation{Field: "waiver.reason", Value: asked.GetReason(), Description: "must say why"})
	}
	from, bad := wholeDay("waiver.start_date", asked.GetStartDate(), bad)
	to, bad := wholeDay("waiver.end_date", asked.GetEndDate(), bad)
	if len(bad) > 0 {
		return nil, errs.Fields(bad...)
	}
	w.To = to.First()
	run := func() (*compliancepb.GrantWaiverResponse, error) {
		w := w
		w.Granted = s.clock.Now()
		return idem.Run(ctx, s.db, org, w.Granted, compliancepb.ComplianceService_GrantWaiver_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
			func(ctx context.Context) (*compliancepb.GrantWaiverResponse, error) {
				granted, p, err := s.store.GrantWaiver(ctx, org, w, from, compliance.OwnChange{
					At: w.Granted, Kind: compliance.WaiverGranted, Subject: resname.WaiverName(org, unit, w.ID), Actor: w.Granter,
				})
				if err != nil {
					return nil, err
				}
				return &compliancepb.GrantWaiverResponse{Waiver: waiverPB(&granted, orgNaming(org, nil)), Position: positionPB(p)}, nil
			})
	}
	resp, err := run()
	if errs.Is(err, "NOT_FOUND") {
		if _, perr := s.applier.Pull(ctx, org); perr != nil {
			return nil, perr
		}
		resp, err = run()
	}
	return told(s, org, resp, err)
}

// RevokeWaiver ends a waiver now: the unit is not excused any more from today on, at its shop.
func (s *Server) RevokeWaiver(ctx context.Context, req *compliancepb.RevokeWaiverRequest) (*compliancepb.RevokeWaiverResponse, error) {
	org, err := resname.Org(ctx, "name", req.GetName())
	if err != nil {
		return nil, err
	}
	unit, id, err := resname.UnitChildUUID(org, "name", req.GetName(), "waivers")
	if err != nil {
		return nil, err
	}
	reason, err := said("reason", req.GetReason(), "must say why the waiver is revoked")
	if err != nil {
		return nil, err
	}
	now := s.clock.Now()
	resp, err := idem.Run(ctx, s.db, org, now, compliancepb.ComplianceService_RevokeWaiver_FullMethodName, req.GetRequestId(), req.GetValidateOnly(), req,
		func(ctx context.Context) (*compliancepb.RevokeWaiverResponse, error) {
			w, p, err := s.store.RevokeWaiver(ctx, org, unit, id, reason, compliance.OwnChange{
				At: now, Kind: compliance.WaiverRevoked, Subject: resname.WaiverName(org, unit, id.String()), Actor: subject(ctx),
			})
			if err != nil {
				return nil, err
			}
			return &compliancepb.RevokeWaiverResponse{Waiver: waiverPB(&w, orgNaming(org, nil)), Position: positionPB(p)}, nil
		})
	return told(s, org, resp, err)
}

// said returns a text without the blanks around it, which must leave something.
func said(field, text, want string) (string, error) {
	trimmed := strings.TrimSpace(text)
	if trimmed == "" {
		return "", errs.Field(field, text, want)
	}
	return trimmed, nil
}

// waiverCursor is the last waiver of a page, and the instant the first page was made for.
type waiverCursor struct {
	At      time.Time `json:"at"`
	Granted time.Time `json:"granted"`
	ID      uuid.UUID `json:"id"`
}

// ListWaivers lists waivers, the last granted first. A unit that compliance has not seen yet is looked for in the registry's feed first.
func (s *Server) ListWaivers(ctx context.Context, req *compliancepb.ListWaiversRequest) (*compliancepb.ListWaiversResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	q := compliance.WaiverQuery{Ended: req.GetIncludeEnded(), At: s.clock.Now(), Limit: page.Size(req.GetPageSize())}
	if req.GetParent() != org.Name()+"/units/-" {
		if q.Unit, err = resname.Unit(org, "parent", req.GetParent()); err != nil {
			return nil, err
		}
	}
	if req.GetInstant() != nil || req.GetKnownTime() != nil {
		q.Past = true
		if q.At, err = asked("instant", req.GetInstant(), q.At); err != nil {
			return nil, err
		}
		if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
			return nil, err
		}
	}
	bound := binding("ListWaivers", org, req)
	if req.GetPageToken() != "" {
		var c waiverCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.At, q.After = c.At, &compliance.WaiverKey{Granted: c.Granted, ID: c.ID}
	}
	resp := &compliancepb.ListWaiversResponse{}
	list := func(ctx context.Context, r *compliancepg.Reader) error {
		if q.Unit != uuid.Nil {
			if err := r.Exists(ctx, q.Unit); err != nil {
				return err
			}
		}
		waivers, more, err := r.WaiverList(ctx, q)
		if err != nil {
			return err
		}
		n := orgNaming(org, nil)
		resp.Waivers = nil
		for i := range waivers {
			resp.Waivers = append(resp.Waivers, waiverPB(&waivers[i], n))
		}
		if more {
			last := waivers[len(waivers)-1]
			resp.NextPageToken, err = s.pages.Encode(bound, waiverCursor{q.At, last.Granted, uuid.MustParse(last.ID)})
		}
		return err
	}
	_, err = s.read(ctx, org, nil, list)
	if q.Unit != uuid.Nil && errs.Is(err, "NOT_FOUND") {
		if _, err := s.applier.Pull(ctx, org); err != nil {
			return nil, err
		}
		_, err = s.read(ctx, org, nil, list)
	}
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// wholeDay reads a date that must be a day, and adds what is wrong with it; a date that is not given is none.
func wholeDay(field string, d *date.Date, bad []errs.Violation) (civil.Mark, []errs.Violation) {
	if d == nil {
		return civil.Mark{}, bad
	}
	m, err := markOf(d)
	if err == nil && !m.IsMonth() {
		return m, bad
	}
	return civil.Mark{}, append(bad, errs.Violation{Field: field, Value: dateText(d), Description: "want a whole date of the years 1900 to 2999, for example 2026-06-05"})
}

// waiverPB returns the message of a waiver.
func waiverPB(w *due.Waiver, n naming) *compliancepb.Waiver {
	return &compliancepb.Waiver{
		Name: n.waiver(w.Unit, w.ID), Rule: n.rule(w.Pack, w.Rule), Signer: w.Signer, Reason: w.Reason, StartDate: datePB(civil.Day(w.From)), EndDate: datePB(civil.Day(w.To)),
		GrantTime: instantPB(w.Granted), Granter: w.Granter, RevokeTime: instantPB(w.Revoked), Revoker: w.Revoker, RevokeReason: w.RevokeReason,
	}
}

// excusing returns those waivers that excuse the unit of a standing, or a part of it, from a rule on its day, in the order of its
// clocks. A revocation that had not happened at the instant, or was not known, is left out.
func excusing(s *due.Standing, all []due.Waiver, at, known time.Time, n naming) (out []*compliancepb.Waiver) {
	for _, c := range s.Clocks {
		id, _ := c.Excused(s.On)
		if id == "" {
			continue
		}
		for _, w := range all {
			if w.ID != id || w.Unit != c.Unit {
				continue
			}
			if w.Revoked.After(at) || !known.IsZero() && w.Revoked.After(known) {
				w.Revoked, w.Revoker, w.RevokeReason = time.Time{}, "", ""
			}
			out = append(out, waiverPB(&w, n))
			break
		}
	}
	return out
}
