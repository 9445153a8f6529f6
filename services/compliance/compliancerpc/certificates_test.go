package compliancerpc

import (
	"context"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// brokenHistory answers every question with an error, or hangs; whole systems, with the real history, are tested in internal/systemtest.
type brokenHistory struct {
	historypb.HistoryServiceClient
	mu   sync.Mutex // what is asked may be under way when its caller has given up
	err  error
	hang bool

	order   *historypb.Order
	largest int // entries that fit one page
	entries int
	asked   int
}

// change changes what it answers.
func (b *brokenHistory) change(fn func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	fn()
}

func (b *brokenHistory) GetOrder(ctx context.Context, _ *historypb.GetOrderRequest, _ ...grpc.CallOption) (*historypb.GetOrderResponse, error) {
	b.mu.Lock()
	hang, order, err := b.hang, proto.CloneOf(b.order), b.err
	b.mu.Unlock()
	if hang {
		<-ctx.Done()
		return nil, status.FromContextError(ctx.Err()).Err()
	}
	return &historypb.GetOrderResponse{Order: order}, err
}

func (b *brokenHistory) ListOrders(context.Context, *historypb.ListOrdersRequest, ...grpc.CallOption) (*historypb.ListOrdersResponse, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return nil, b.err
}

func (b *brokenHistory) ListEntries(_ context.Context, req *historypb.ListEntriesRequest, _ ...grpc.CallOption) (*historypb.ListEntriesResponse, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.asked++
	from, _ := strconv.Atoi(req.GetPageToken()) // 0 for none
	to := min(b.entries, from+int(req.GetPageSize()))
	if to-from > b.largest {
		return nil, status.Error(codes.ResourceExhausted, "too large")
	}
	out := &historypb.ListEntriesResponse{}
	for i := from; i < to; i++ {
		out.Entries = append(out.Entries, &historypb.Entry{Sequence: int64(i)})
	}
	if to < b.entries {
		out.NextPageToken = strconv.Itoa(to)
	}
	return out, nil
}

// TestCertificateWithoutHistory: a certificate is whole or refused, and what history itself says is handed on.
func TestCertificateWithoutHistory(t *testing.T) {
	inTurn(t)
	t.Parallel()
	r := newRig(t)
	r.catalogue("bcd")
	unit := r.unit("bcd", "B-1", "north")
	conn := r.conn(auth.RoleTechnician, "reef")
	client := compliancepb.NewCertificateServiceClient(conn)
	name := r.org + "/orders/" + uuid.NewString()
	get := func() error {
		_, err := client.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: name + "/certificate"})
		return err
	}
	wantReason(t, get(), codes.Unavailable, "UNAVAILABLE") // started without
	b := &brokenHistory{}
	r.server.peers = &Peers{Orders: b, History: b}
	own := func(e *errs.E) error { return rpc.Status(e).Err() }
	for _, c := range []struct {
		give   error
		code   codes.Code
		reason string
	}{
		{status.Error(codes.Unavailable, "connection refused"), codes.Unavailable, "UNAVAILABLE"},
		{status.Error(codes.PermissionDenied, "no"), codes.Unavailable, "UNAVAILABLE"},
		{own(errs.New(errs.NotFound, "NOT_FOUND", "there is no such order", "resource", name)), codes.NotFound, "NOT_FOUND"},
		{own(errs.New(errs.DataLoss, "LEDGER_DAMAGED", "the ledger is damaged")), codes.DataLoss, "LEDGER_DAMAGED"},
	} {
		b.change(func() { b.err = c.give })
		wantReason(t, get(), c.code, c.reason)
		_, err := client.ListCertificates(t.Context(), &compliancepb.ListCertificatesRequest{Parent: unit})
		wantReason(t, err, c.code, c.reason)
	}
	b.change(func() { b.err, b.hang = nil, true })
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if _, err := client.GetCertificate(ctx, &compliancepb.GetCertificateRequest{Name: name + "/certificate"}); status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("history hangs: %v", err)
	}
	b.change(func() { b.hang, b.order = false, &historypb.Order{Name: name, Unit: unit} })
	wantReason(t, get(), codes.FailedPrecondition, "ORDER_NOT_SIGNED")
	b.change(func() { b.order.SignTime, b.largest = timestamppb.New(now), 1 }) // signed, and its entries do not say so: nothing is made up
	wantReason(t, get(), codes.Internal, "INTERNAL")
	_, err := client.GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: name})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = compliancepb.NewCertificateServiceClient(r.conn(auth.RoleClientApp, "reef")).GetCertificate(t.Context(), &compliancepb.GetCertificateRequest{Name: name + "/certificate"})
	wantReason(t, err, codes.PermissionDenied, "PERMISSION_MISSING")
}

// TestEntriesInPieces: pages that are too large for one message are asked for in smaller ones, and each entry comes once.
func TestEntriesInPieces(t *testing.T) {
	t.Parallel()
	for _, largest := range []int{1, 7, 500, 1000} {
		b := &brokenHistory{largest: largest, entries: 1234}
		got, err := (&recorded{peers: &Peers{History: b}}).entries(t.Context(), &historypb.ListEntriesRequest{})
		if err != nil || len(got) != b.entries {
			t.Fatalf("%d at once: %d entries, %v", largest, len(got), err)
		}
		for i, e := range got {
			if e.GetSequence() != int64(i) {
				t.Fatalf("%d at once: entry %d is %d", largest, i, e.GetSequence())
			}
		}
	}
	b := &brokenHistory{largest: 0, entries: 2}
	if _, err := (&recorded{peers: &Peers{History: b}}).entries(t.Context(), &historypb.ListEntriesRequest{}); status.Code(err) != codes.ResourceExhausted || b.asked > 12 {
		t.Errorf("one that is too large by itself: %v after %d questions", err, b.asked)
	}
}
