package compliancerpc

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// digestNotices is how many notices a digest carries at most, so that it fits one message; ListNotices has all.
const digestNotices = 5000

// digestCursor is the last digest of a page.
type digestCursor struct {
	Due  time.Time  `json:"due"`
	Shop string     `json:"shop"`
	Day  civil.Date `json:"day"`
}

// ListDigests lists digests, the latest first. The first page tells what is to be told before it answers.
func (s *Server) ListDigests(ctx context.Context, req *compliancepb.ListDigestsRequest) (*compliancepb.ListDigestsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	size := page.Size(req.GetPageSize())
	q := compliance.DigestQuery{Limit: size + 1}
	if !strings.HasSuffix(req.GetParent(), "/-") {
		if q.Shop, err = resname.Part(org, "parent", req.GetParent(), "shops"); err != nil {
			return nil, err
		}
	}
	bound := binding("ListDigests", org, req)
	if req.GetPageToken() != "" {
		var c digestCursor
		if err := s.pages.Decode(bound, req.GetPageToken(), &c); err != nil {
			return nil, err
		}
		q.After = &compliance.DigestKey{Due: c.Due, Shop: c.Shop, Day: c.Day}
	} else if err := s.upToDate(ctx, org); err != nil {
		return nil, err
	}
	resp := &compliancepb.ListDigestsResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		rows, err := r.Digests(ctx, q)
		if err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			last := rows[size-1]
			if resp.NextPageToken, err = s.pages.Encode(bound, digestCursor{last.At, last.Shop, last.Day}); err != nil {
				return err
			}
		}
		for i := range rows {
			resp.Digests = append(resp.Digests, digestPB(&rows[i], orgNaming(org, nil)))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// GetDigest reads a digest with its notices.
func (s *Server) GetDigest(ctx context.Context, req *compliancepb.GetDigestRequest) (*compliancepb.GetDigestResponse, error) {
	org, err := resname.Org(ctx, "shop", req.GetShop())
	if err != nil {
		return nil, err
	}
	q := compliance.DigestQuery{Limit: 1}
	if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
		return nil, err
	}
	name := req.GetShop() + "/digest"
	if d := req.GetDate(); d != nil {
		m, err := markOf(d)
		if err != nil || m.IsZero() || m.IsMonth() {
			return nil, errs.Field("date", dateText(d), "want a day that exists, with year, month and day")
		}
		q.Day = new(m.First())
		name += " of " + m.String()
	}
	if err := s.upToDate(ctx, org); err != nil {
		return nil, err
	}
	resp := &compliancepb.GetDigestResponse{}
	_, err = s.read(ctx, org, nil, func(ctx context.Context, r *compliancepg.Reader) error {
		rows, err := r.Digests(ctx, q)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			missing := errs.Missing(name)
			missing.Message = fmt.Sprintf("there is no %s: a day's digest is made at 06:00 of the next day at the shop, from the day on which its units were first seen", name)
			return missing
		}
		d, n := &rows[0], orgNaming(org, nil)
		resp.Digest = digestPB(d, n)
		if d.Upto <= d.After {
			return nil
		}
		notices, err := r.Notices(ctx, compliance.NoticeQuery{After: d.After, Upto: d.Upto, Shop: q.Shop, Limit: digestNotices + 1})
		if err != nil {
			return err
		}
		if len(notices) > digestNotices {
			notices = notices[:digestNotices]
			resp.Digest.Lines = append(resp.Digest.Lines, fmt.Sprintf("There are more notices than a digest carries: list those after number %d.", notices[digestNotices-1].Number))
		}
		resp.Digest.Notices = noticesPB(notices, n)
		return nil
	})
	if err != nil {
		return nil, err
	}
	return resp, nil
}

// digestPB returns the message of a digest, without its notices.
func digestPB(d *compliance.Digest, n naming) *compliancepb.Digest {
	return &compliancepb.Digest{
		Shop: n.shop(d.Shop), Date: datePB(civil.Day(d.Day)), DigestTime: timestamppb.New(d.At), BlockingCount: d.Blocking, DueSoonCount: d.DueSoon,
		Lines: d.Lines(d.Told),
	}
}
