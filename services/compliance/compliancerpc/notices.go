package compliancerpc

import (
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// upToDate tells what is to be told of an org now, so that an answer does not wait for Run: a process that serves one command has no
// time to. Where a feed cannot be read, the answer is what was told before.
func (s *Server) upToDate(ctx context.Context, org tenant.Org) error {
	if _, err := s.read(ctx, org, nil, func(context.Context, *compliancepg.Reader) error { return nil }); err != nil {
		return err // the org is not known
	}
	if _, err := s.applier.Pull(ctx, org); err != nil {
		return ctx.Err()
	}
	return s.notifier.Look(ctx, org)
}

// ListNotices lists notices by number. The first page tells what is to be told before it answers.
func (s *Server) ListNotices(ctx context.Context, req *compliancepb.ListNoticesRequest) (*compliancepb.ListNoticesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	size := page.Size(req.GetPageSize())
	q := compliance.NoticeQuery{After: req.GetAfter(), Limit: size + 1}
	if q.Shop, err = shopOrAny(org, req.GetShop()); err != nil {
		return nil, err
	}
	if q.By, err = asked("instant", req.GetInstant(), time.Time{}); err != nil {
		return nil, err
	}
	if q.Known, err = asked("known_time", req.GetKnownTime(), time.Time{}); err != nil {
		return nil, err
	}
	bound := binding("ListNotices", org, req)
	if req.GetPageToken() != "" {
		if err := s.pages.Decode(bound, req.GetPageToken(), &q.After); err != nil {
			return nil, err
		}
	} else if err := s.upToDate(ctx, org); err != nil {
		return nil, err
	}
	resp := &compliancepb.ListNoticesResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		rows, err := r.Notices(ctx, q)
		if err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			if resp.NextPageToken, err = s.pages.Encode(bound, rows[size-1].Number); err != nil {
				return err
			}
		}
		resp.Notices = noticesPB(rows, orgNaming(org, nil))
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// followPage is how many notices a stream holds at a time.
const followPage = 100

// FollowNotices streams notices after a number, in order, and then as they are written, here or by another process. It ends with the
// caller.
func (s *Server) FollowNotices(req *compliancepb.FollowNoticesRequest, stream grpc.ServerStreamingServer[compliancepb.FollowNoticesResponse]) error {
	ctx := stream.Context()
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return err
	}
	q := compliance.NoticeQuery{After: req.GetAfter(), Limit: followPage}
	if q.Shop, err = shopOrAny(org, req.GetShop()); err != nil {
		return err
	}
	if err := s.upToDate(ctx, org); err != nil {
		return err
	}
	names := orgNaming(org, nil)
	poll := time.NewTicker(s.poll)
	defer poll.Stop()
	for {
		written := s.notifier.Written(org) // before the look, so that nothing is missed between the two
		var rows []compliance.Notice
		if _, err := s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) (err error) {
			rows, err = r.Notices(ctx, q)
			return err
		}); err != nil {
			return err
		}
		for i, n := range noticesPB(rows, names) {
			if err := stream.Send(&compliancepb.FollowNoticesResponse{Notice: n}); err != nil {
				return err
			}
			q.After = rows[i].Number
		}
		if len(rows) == followPage {
			continue
		}
		select {
		case <-written:
		case <-poll.C:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// shopOrAny returns the id of a shop's name; empty for none.
func shopOrAny(org tenant.Org, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	return resname.Part(org, "shop", name, "shops")
}

// noticesPB returns the messages of notices.
func noticesPB(rows []compliance.Notice, n naming) []*compliancepb.Notice {
	out := make([]*compliancepb.Notice, len(rows))
	for i := range rows {
		r := &rows[i]
		out[i] = &compliancepb.Notice{
			Number: r.Number, Unit: n.unit(r.Unit), AssetTag: r.Tag, Kind: r.Kind, Shop: n.shop(r.Shop), Rule: n.rule(r.Pack, r.Rule), Title: r.Title,
			FromState: compliancepb.Clock_State(r.From), ToState: compliancepb.Clock_State(r.To), Blocking: r.Blocking,
			EffectiveTime: timestamppb.New(r.Effective), EffectiveDate: datePB(civil.Day(r.EffectiveOn)), NoticeTime: timestamppb.New(r.Noticed),
			DueDate: datePB(r.DueOn), Sentence: r.Sentence,
		}
	}
	return out
}
