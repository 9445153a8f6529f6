package compliancerpc

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/auth"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func (r *rig) shop(id, zone string) {
	r.register(&feedpb.Change{Resource: &feedpb.Change_Shop{Shop: &registrypb.Shop{Name: r.org + "/shops/" + id, DisplayName: "Shop " + id, TimeZone: zone, Jurisdiction: "GB"}}})
}

func (r *rig) way(from, to string, takes time.Duration) *compliancepb.SetTransferTimeRequest {
	return &compliancepb.SetTransferTimeRequest{Parent: r.org, RequestId: uuid.NewString(), TransferTime: &compliancepb.TransferTime{
		FromShop: r.org + "/shops/" + from, ToShop: r.org + "/shops/" + to, Duration: durationpb.New(takes),
	}}
}

func TestTransferTimes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	const shops = 4
	for n := range shops {
		r.shop(fmt.Sprintf("s%d", n), "Europe/London")
	}
	set := func(req *compliancepb.SetTransferTimeRequest) *compliancepb.SetTransferTimeResponse {
		t.Helper()
		resp, err := r.availability.SetTransferTime(t.Context(), req)
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	var want []*compliancepb.TransferTime
	first := r.way("s0", "s1", time.Hour)
	given := set(first)
	position := given.GetPosition().GetCompliance()
	if position == 0 || !proto.Equal(given.GetTransferTime(), first.GetTransferTime()) {
		t.Errorf("set: %v", given)
	}
	for from := range shops {
		for to := range shops {
			if from == to {
				continue
			}
			req := r.way(fmt.Sprintf("s%d", from), fmt.Sprintf("s%d", to), time.Duration(10*from+to+1)*time.Minute)
			position++
			if got := set(req).GetPosition().GetCompliance(); got != position { // each is a change of compliance's own
				t.Errorf("position %d, want %d", got, position)
			}
			want = append(want, req.GetTransferTime())
		}
	}
	// The same request again says what it said, and does not bring back what was changed since.
	if again := set(first); !proto.Equal(again, given) {
		t.Errorf("again: %v, first: %v", again, given)
	}
	list := func(size int32, token string) *compliancepb.ListTransferTimesResponse {
		t.Helper()
		resp, err := r.availability.ListTransferTimes(t.Context(), &compliancepb.ListTransferTimesRequest{Parent: r.org, PageSize: size, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		return resp
	}
	for _, size := range []int32{0, 1, 5, 11, 12, 13} {
		var got []*compliancepb.TransferTime
		pages := 0
		for token := ""; ; {
			resp := list(size, token)
			got = append(got, resp.GetTransferTimes()...)
			pages++
			if token = resp.GetNextPageToken(); token == "" {
				break
			}
		}
		if d := cmp.Diff(want, got, protocmp.Transform()); d != "" {
			t.Errorf("pages of %d: %s", size, d)
		}
		if size > 0 && pages != (len(want)+int(size)-1)/int(size) {
			t.Errorf("%d pages of %d", pages, size)
		}
	}
	token := list(5, "").GetNextPageToken()
	_, err := r.availability.ListTransferTimes(t.Context(), &compliancepb.ListTransferTimesRequest{Parent: r.org, PageToken: token[:len(token)-3]})
	wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")

	same := r.way("s1", "s1", time.Hour)
	_, err = r.availability.SetTransferTime(t.Context(), same)
	if m := wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD"); m["field"] != "transfer_time.to_shop" {
		t.Errorf("the same shop twice: %v", m)
	}
	_, err = r.availability.SetTransferTime(t.Context(), r.way("s1", "s2", time.Hour+time.Millisecond))
	if m := wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD"); m["field"] != "transfer_time.duration" {
		t.Errorf("parts of a second: %v", m)
	}
	for _, takes := range []time.Duration{-time.Hour, 0, 61 * 24 * time.Hour} {
		_, err = r.availability.SetTransferTime(t.Context(), r.way("s1", "s2", takes))
		wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	}
	for _, req := range []*compliancepb.SetTransferTimeRequest{r.way("s1", "nowhere", time.Hour), r.way("nowhere", "s1", time.Hour)} {
		_, err = r.availability.SetTransferTime(t.Context(), req)
		if m := wantReason(t, err, codes.NotFound, "NOT_FOUND"); m["resource"] != r.org+"/shops/nowhere" {
			t.Errorf("an unknown shop: %v", m)
		}
	}
	// One that has just been registered is looked for.
	r.shop("new", "Europe/London")
	set(r.way("s1", "new", time.Hour))
	// Whoever may only read the fleet may not say how long a way takes.
	_, err = compliancepb.NewAvailabilityServiceClient(r.conn(auth.RoleAuditor, "reef")).SetTransferTime(t.Context(), r.way("s1", "s2", time.Hour))
	wantReason(t, err, codes.PermissionDenied, "PERMISSION_MISSING")
	if got := list(0, "").GetTransferTimes(); len(got) != len(want)+1 || !slices.ContainsFunc(got, func(t *compliancepb.TransferTime) bool { return t.GetToShop() == r.org+"/shops/new" }) {
		t.Errorf("at the end there are %v", got)
	}
}
