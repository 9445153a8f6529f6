package historyrpc

import (
	"context"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/resname"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history"
)

// cursor is what a page token carries.
type cursor struct {
	After int64 `json:"a"` // sequence of the last entry of the page
}

// ListEntries lists entries in the order of the ledger.
func (s *Server) ListEntries(ctx context.Context, req *historypb.ListEntriesRequest) (*historypb.ListEntriesResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	var q history.Query
	if req.GetParent() != org.Name()+"/units/-" {
		if q.Unit, err = resname.Unit(org, "parent", req.GetParent()); err != nil {
			return nil, err
		}
	}
	if req.GetShop() != "" {
		if q.Shop, err = resname.Part(org, "shop", req.GetShop(), "shops"); err != nil {
			return nil, err
		}
	}
	q.Kind = history.Kind(req.GetKind())
	for _, r := range [...]struct {
		field string
		from  *timestamppb.Timestamp
		to    *time.Time
	}{
		{"occurred_from_time", req.GetOccurredFromTime(), &q.OccurredFrom},
		{"occurred_before_time", req.GetOccurredBeforeTime(), &q.OccurredBefore},
		{"recorded_from_time", req.GetRecordedFromTime(), &q.RecordedFrom},
		{"recorded_before_time", req.GetRecordedBeforeTime(), &q.RecordedBefore},
	} {
		if err := bound(r.field, r.from, r.to); err != nil {
			return nil, err
		}
	}
	if err := q.Check(); err != nil {
		return nil, err
	}
	binding := binding(req)
	var after cursor
	if t := req.GetPageToken(); t != "" {
		if err := s.config.Pages.Decode(binding, t, &after); err != nil {
			return nil, err
		}
	}
	size := page.Size(req.GetPageSize())
	rows, err := s.store.List(ctx, org, q, after.After, size+1)
	if err != nil {
		return nil, err
	}
	out := &historypb.ListEntriesResponse{}
	if len(rows) > size {
		rows = rows[:size]
		if out.NextPageToken, err = s.config.Pages.Encode(binding, cursor{rows[size-1].Sequence}); err != nil {
			return nil, err
		}
	}
	for i := range rows {
		e, err := entryProto(org, &rows[i])
		if err != nil {
			return nil, err
		}
		out.Entries = append(out.Entries, e)
	}
	return out, nil
}

// bound reads a bound of a listing, if there is one. The ledger's instants are whole microseconds: rounded up, a bound has the same entries on either side.
func bound(field string, from *timestamppb.Timestamp, to *time.Time) error {
	if from == nil {
		return nil
	}
	if err := from.CheckValid(); err != nil {
		return errs.Field(field, from.String(), "is not an instant from year 1 to 9999; give RFC 3339 UTC time")
	}
	*to = from.AsTime().Add(time.Microsecond - 1).Truncate(time.Microsecond)
	if to.IsZero() { // the first instant there is; zero means no bound
		*to = to.Add(time.Microsecond)
	}
	return nil
}

// binding is everything in the request that its page tokens belong to.
func binding(r *historypb.ListEntriesRequest) string {
	var b strings.Builder
	fmt.Fprintf(&b, "entries\x00%s\x00%d\x00%s", r.GetParent(), r.GetKind(), r.GetShop())
	for _, t := range [...]*timestamppb.Timestamp{r.GetOccurredFromTime(), r.GetOccurredBeforeTime(), r.GetRecordedFromTime(), r.GetRecordedBeforeTime()} {
		if t == nil {
			b.WriteString("\x00-")
			continue
		}
		fmt.Fprintf(&b, "\x00%d.%d", t.GetSeconds(), t.GetNanos())
	}
	return b.String()
}
