package historyrpc

import (
	"context"

	"strandline.example/strandline/internal/feed"
	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	"strandline.example/strandline/services/history/historypg"
)

// source is the ledger as a log of changes: an entry's sequence is its position.
type source struct{ store *historypg.Store }

var _ feed.Source = source{}

// Heads returns where every org's ledger ends.
func (s source) Heads(ctx context.Context) ([]feed.Head, error) {
	heads, err := s.store.Heads(ctx)
	if err != nil {
		return nil, err
	}
	out := make([]feed.Head, len(heads))
	for i, h := range heads {
		out[i] = feed.Head{Org: h.Org, Number: h.Number}
	}
	return out, nil
}

// Read returns entries after a sequence as changes.
func (s source) Read(ctx context.Context, org tenant.Org, after int64, limit int) ([]*feedpb.Change, int64, error) {
	rows, head, err := s.store.After(ctx, org, after, limit)
	if err != nil {
		return nil, 0, err
	}
	out := make([]*feedpb.Change, len(rows))
	for i := range rows {
		e, err := entryProto(org, &rows[i])
		if err != nil {
			return nil, 0, err
		}
		out[i] = &feedpb.Change{Position: e.Sequence, ChangeTime: e.RecordedTime, Resource: &feedpb.Change_Entry{Entry: e}}
	}
	return out, head, nil
}
