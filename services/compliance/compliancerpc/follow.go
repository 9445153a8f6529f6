package compliancerpc

import (
	"context"

	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
)

// Follow calls moved with each head that the source tells, until the stream ends.
func (f feedReader) Follow(ctx context.Context, moved func(org tenant.Org, head int64)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := f.client.FollowHeads(ctx, &feedpb.FollowHeadsRequest{})
	if err != nil {
		return feedError(ctx, f.source, err)
	}
	for {
		h, err := stream.Recv()
		if err != nil {
			return feedError(ctx, f.source, err)
		}
		if org, ok := orgOf(h.GetOrg()); ok {
			moved(org, h.GetHead())
		}
	}
}
