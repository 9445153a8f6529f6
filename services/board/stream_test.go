package board_test

import (
	"bufio"
	"encoding/json"
	"net"
	"net/http"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/board"
)

// watch tells of a unit every so often, and then that the client was too slow.
type watch struct {
	every time.Duration
	got   *compliancepb.WatchAvailabilityRequest
}

func (f *watch) WatchAvailability(req *compliancepb.WatchAvailabilityRequest, s grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error {
	f.got = req
	tick := time.NewTicker(f.every)
	defer tick.Stop()
	for range 6 {
		m := &compliancepb.WatchAvailabilityResponse{ResumeToken: "t", Change: &compliancepb.WatchAvailabilityResponse_Unit{
			Unit: &compliancepb.UnitState{Unit: unitName, Reasons: []typepb.Reason{typepb.Reason_REASON_HOLD_OPEN}},
		}}
		if err := s.Send(m); err != nil {
			return err
		}
		<-tick.C
	}
	return errs.New(errs.Exhausted, "WATCH_TOO_SLOW", "too slow")
}

// A stream over JSON is one object a line, each written when it comes, for longer than one answer may take to be written; what it ends with is
// the last.
func TestStreamOverJSON(t *testing.T) {
	w := &watch{every: 80 * time.Millisecond}
	r := newRig(t, func(c *board.Config) { c.Write = 200 * time.Millisecond })
	r.fakes.watch = w.WatchAvailability
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- r.board.Serve(lis) }()
	req, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+lis.Addr().String()+"/v1/orgs/reef/availability:watch?shop=orgs/reef/shops/north&resumeToken=abc", nil)
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+r.token(t))
	resp, err := (&http.Client{Transport: &http.Transport{DisableKeepAlives: true}}).Do(req)
	if err != nil {
		t.Fatal(err)
	}
	if resp.StatusCode != http.StatusOK {
		t.Fatalf("status %d", resp.StatusCode)
	}
	lines := bufio.NewScanner(resp.Body)
	units := 0
	var last struct {
		Result json.RawMessage
		Error  *struct {
			Code    int
			Message string
			Details []struct{ Reason string }
		}
	}
	for lines.Scan() {
		if err := json.Unmarshal(lines.Bytes(), &last); err != nil {
			t.Fatalf("%v: %s", err, lines.Text())
		}
		if last.Error != nil {
			continue
		}
		m := &compliancepb.WatchAvailabilityResponse{}
		if err := protojson.Unmarshal(last.Result, m); err != nil {
			t.Fatal(err)
		}
		if m.GetUnit().GetUnit() != unitName || m.GetResumeToken() != "t" || m.GetUnit().GetReasons()[0] != typepb.Reason_REASON_HOLD_OPEN {
			t.Errorf("%v", m)
		}
		units++
	}
	if err := lines.Err(); err != nil || units != 6 {
		t.Errorf("%d messages came, and then %v", units, err)
	}
	if last.Error == nil || len(last.Error.Details) == 0 || last.Error.Details[0].Reason != "WATCH_TOO_SLOW" {
		t.Errorf("it ended with %+v", last.Error)
	}
	if err := resp.Body.Close(); err != nil {
		t.Error(err)
	}
	if w.got.GetParent() != "orgs/reef" || w.got.GetShop() != "orgs/reef/shops/north" || w.got.GetResumeToken() != "abc" {
		t.Errorf("request %v", w.got)
	}
	if err := r.board.Drain(t.Context()); err != nil {
		t.Error(err)
	}
	if err := <-served; err != nil {
		t.Error(err)
	}
}

// A stream that is refused before its first message is refused as every other call is.
func TestStreamThatIsRefused(t *testing.T) {
	r := newRig(t)
	e := errs.New(errs.Invalid, "RESUME_TOKEN_INVALID", "resume_token is not of this stream")
	e.Violations = []errs.Violation{{Field: "resume_token", Description: "begin again without one", Reason: "RESUME_TOKEN_INVALID"}}
	r.fakes.watch = func(*compliancepb.WatchAvailabilityRequest, grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error {
		return e
	}
	resp := r.call(t, "GET", "/v1/orgs/reef/availability:watch?resumeToken=abc", "")
	p := problem(t, resp)
	if resp.status != 400 || p.GetReason() != "RESUME_TOKEN_INVALID" || p.GetType() != "/problems/RESUME_TOKEN_INVALID" || len(p.GetErrors()) != 1 || p.GetErrors()[0].GetPointer() != "/resumeToken" {
		t.Errorf("%d %v", resp.status, p)
	}
	r.fakes.watch = func(*compliancepb.WatchAvailabilityRequest, grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error {
		return errs.New(errs.Unavailable, "UNAVAILABLE", "the server is going away")
	}
	if resp := r.call(t, "GET", "/v1/orgs/reef/availability:watch", ""); resp.status != 503 || problem(t, resp).GetReason() != "UNAVAILABLE" || resp.header.Get("Retry-After") == "" {
		t.Errorf("%d %s", resp.status, resp.body)
	}
}
