package board_test

import (
	"bytes"
	"context"
	"encoding/json"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/board"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

var now = time.Date(2026, 3, 1, 9, 0, 0, 0, time.UTC)

const unitName = "orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"

// fakes answer what a test tells them to; the chain around them is the real one.
type fakes struct {
	registrypb.UnimplementedRegistryServiceServer
	historypb.UnimplementedHistoryServiceServer
	historypb.UnimplementedBenchServiceServer
	historypb.UnimplementedLotServiceServer
	compliancepb.UnimplementedAvailabilityServiceServer

	getUnit func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error)
	update  func(context.Context, *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error)
	append  func(context.Context, *historypb.AppendEntriesRequest) (*historypb.AppendEntriesResponse, error)
	search  func(context.Context, *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error)
	watch   func(*compliancepb.WatchAvailabilityRequest, grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error
}

func (f *fakes) WatchAvailability(r *compliancepb.WatchAvailabilityRequest, s grpc.ServerStreamingServer[compliancepb.WatchAvailabilityResponse]) error {
	return f.watch(r, s)
}

func (f *fakes) GetUnit(ctx context.Context, r *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
	return f.getUnit(ctx, r)
}

func (f *fakes) UpdateUnit(ctx context.Context, r *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
	return f.update(ctx, r)
}

func (f *fakes) AppendEntries(ctx context.Context, r *historypb.AppendEntriesRequest) (*historypb.AppendEntriesResponse, error) {
	return f.append(ctx, r)
}

func (f *fakes) SearchAvailability(ctx context.Context, r *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
	return f.search(ctx, r)
}

type rig struct {
	fakes  *fakes
	key    *auth.Key
	server *rpc.Server
	board  *board.Board
	log    bytes.Buffer
}

func newRig(t *testing.T, change ...func(*board.Config)) *rig {
	t.Helper()
	key, err := auth.NewKey()
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{fakes: &fakes{}, key: key}
	r.server = rpc.NewServer(rpc.ServerConfig{Verifier: auth.NewVerifier(key.Public()), Clock: clock.NewFake(now), Logger: slog.New(slog.DiscardHandler)})
	registrypb.RegisterRegistryServiceServer(r.server, r.fakes)
	historypb.RegisterHistoryServiceServer(r.server, r.fakes)
	historypb.RegisterBenchServiceServer(r.server, r.fakes)
	historypb.RegisterLotServiceServer(r.server, r.fakes)
	compliancepb.RegisterAvailabilityServiceServer(r.server, r.fakes)
	r.server.SetServing(true)
	conn, err := r.server.InProcess()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = conn.Close()
		_ = r.server.Drain(context.WithoutCancel(t.Context()))
	})
	c := board.Config{Conn: conn, Clock: clock.NewFake(now), Logger: slog.New(slog.NewTextHandler(&r.log, &slog.HandlerOptions{Level: slog.LevelDebug}))}
	for _, f := range change {
		f(&c)
	}
	if r.board, err = board.New(t.Context(), c); err != nil {
		t.Fatal(err)
	}
	return r
}

// call sends a request with a chain manager's token; header lines are "Name: value", and "-Name" leaves one out.
func (r *rig) call(t *testing.T, method, path, body string, headers ...string) answer {
	t.Helper()
	req := httptest.NewRequestWithContext(t.Context(), method, path, strings.NewReader(body))
	req.Header.Set("Authorization", "Bearer "+r.token(t))
	for _, h := range headers {
		if name, ok := strings.CutPrefix(h, "-"); ok {
			req.Header.Del(name)
			continue
		}
		name, value, _ := strings.Cut(h, ": ")
		req.Header.Set(name, value)
	}
	w := httptest.NewRecorder()
	r.board.Handler().ServeHTTP(w, req)
	return answer{w.Code, w.Header(), w.Body.String()}
}

// answer is what a request got.
type answer struct {
	status int
	header http.Header
	body   string
}

func (r *rig) token(t *testing.T) string {
	t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "test", Role: auth.RoleChainManager, Org: "reef", Issued: now, Expires: now.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	return token
}

// problem reads a problem and checks what RFC 9457, section 3, says of each.
func problem(t *testing.T, resp answer) *typepb.Problem {
	t.Helper()
	if got := resp.header.Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("content type %q", got)
	}
	text := resp.body
	p := &typepb.Problem{}
	if err := protojson.Unmarshal([]byte(text), p); err != nil {
		t.Fatalf("not the declared message: %v: %s", err, text)
	}
	if int(p.GetStatus()) != resp.status {
		t.Errorf("status %d in the body, %d in the head", p.GetStatus(), resp.status)
	}
	if p.GetType() != "/problems/"+p.GetReason() || p.GetTitle() == "" || p.GetDetail() == "" {
		t.Errorf("type %q, title %q, detail %q, reason %q", p.GetType(), p.GetTitle(), p.GetDetail(), p.GetReason())
	}
	if p.GetRequestId() == "" || p.GetRequestId() != resp.header.Get("X-Request-Id") {
		t.Errorf("request id %q, in the head %q", p.GetRequestId(), resp.header.Get("X-Request-Id"))
	}
	return p
}

// The JSON of a call, both ways, as a client app writes and reads it.
func TestRoundTrip(t *testing.T) {
	r := newRig(t)
	var got *historypb.AppendEntriesRequest
	r.fakes.append = func(_ context.Context, req *historypb.AppendEntriesRequest) (*historypb.AppendEntriesResponse, error) {
		got = req
		return &historypb.AppendEntriesResponse{
			Receipts: []*historypb.Receipt{{Entry: req.GetEntries()[0].GetName(), Sequence: 9007199254740993, RecordedTime: timestamppb.New(now), Digest: []byte{0xfb, 0xff}}},
		}, nil
	}
	entry := unitName + "/entries/0193b1c2-0000-7a10-8b3e-000000000001"
	resp := r.call(t, "POST", "/v1/orgs/reef/entries:append", `{"entries":[{"name":"`+entry+`","occurredTime":"2026-02-28T16:30:00Z","usage":{"increment":{"dives":"2","runningTime":"3600s"}}}]}`, "Content-Type: application/json")
	if resp.status != http.StatusOK || resp.header.Get("Content-Type") != "application/json" {
		t.Fatalf("%d %s: %s", resp.status, resp.header.Get("Content-Type"), resp.body)
	}
	var answer any
	if err := json.Unmarshal([]byte(resp.body), &answer); err != nil {
		t.Fatal(err)
	}
	// Proto3 JSON mapping: int64 as strings, bytes in base64, names in lowerCamelCase; an unset message is left out.
	want := map[string]any{"receipts": []any{map[string]any{"entry": entry, "sequence": "9007199254740993", "recordedTime": "2026-03-01T09:00:00Z", "digest": "+/8="}}}
	if diff := cmp.Diff(want, answer); diff != "" {
		t.Errorf("answer (-want +got):\n%s", diff)
	}
	wantReq := &historypb.AppendEntriesRequest{}
	if err := protojson.Unmarshal([]byte(`{"parent":"orgs/reef","entries":[{"name":"`+entry+`","occurredTime":"2026-02-28T16:30:00Z","usage":{"increment":{"dives":2,"runningTime":"3600s"}}}]}`), wantReq); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(wantReq, got, protocmp.Transform()); diff != "" {
		t.Errorf("request (-want +got):\n%s", diff)
	}
}

// "available": false and an empty list are written, so that nobody takes absence for an answer.
func TestZeroValuesAreWritten(t *testing.T) {
	r := newRig(t)
	r.fakes.search = func(context.Context, *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
		return &compliancepb.SearchAvailabilityResponse{Units: []*compliancepb.UnitAvailability{{Unit: unitName}}}, nil
	}
	resp := r.call(t, "POST", "/v1/orgs/reef:searchAvailability", `{"kind":"bcd","startTime":"2026-03-06T08:00:00Z","endTime":"2026-03-08T18:00:00Z"}`)
	var got struct {
		Units          []map[string]any
		NextPageToken  *string
		AvailableCount *string
		Position       *struct{}
	}
	text := resp.body
	if err := json.Unmarshal([]byte(text), &got); err != nil || len(got.Units) != 1 {
		t.Fatalf("%v: %s", err, text)
	}
	if got.Units[0]["available"] != false || !cmp.Equal(got.Units[0]["reasons"], []any{}) || got.NextPageToken == nil || *got.AvailableCount != "0" || got.Position != nil {
		t.Errorf("answer %s", text)
	}
}

// HTTP statuses: google.rpc.Code's documented mapping to HTTP.
func TestEveryKindHasItsStatus(t *testing.T) {
	r := newRig(t)
	for _, c := range []struct {
		err    error
		status int
		reason string
	}{
		{errs.Field("name", "x", "want y"), 400, "INVALID_FIELD"},
		{errs.Missing(unitName), 404, "NOT_FOUND"},
		{errs.Taken(unitName), 409, "ALREADY_EXISTS"},
		{errs.New(errs.Exists, "ASSET_TAG_TAKEN", "taken"), 409, "ASSET_TAG_TAKEN"},
		{errs.New(errs.Precondition, "UNIT_RETIRED", "retired"), 400, "UNIT_RETIRED"},
		{errs.New(errs.Conflict, "ETAG_MISMATCH", "changed"), 409, "ETAG_MISMATCH"},
		{errs.New(errs.Denied, "PERMISSION_MISSING", "no"), 403, "PERMISSION_MISSING"},
		{errs.New(errs.Unauthenticated, "TOKEN_INVALID", "no"), 401, "TOKEN_INVALID"},
		{errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "no"), 429, "RESOURCE_EXHAUSTED"},
		{errs.New(errs.Unavailable, "NOT_CAUGHT_UP", "wait"), 503, "NOT_CAUGHT_UP"},
		{errs.New(errs.DataLoss, "LEDGER_DAMAGED", "entry 7"), 500, "LEDGER_DAMAGED"},
		{errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "late"), 504, "DEADLINE_EXCEEDED"},
		{errs.New(errs.Canceled, "CANCELLED", "gone"), 499, "CANCELLED"},
		{errs.New(errs.Internal, "INTERNAL", "secret"), 500, "INTERNAL"},
	} {
		r.fakes.getUnit = func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
			return nil, c.err
		}
		resp := r.call(t, "GET", "/v1/"+unitName, "")
		p := problem(t, resp)
		if resp.status != c.status || p.GetReason() != c.reason || strings.Contains(p.String(), "secret") {
			t.Errorf("%v: %d %s (%s), want %d %s", c.err, resp.status, p.GetReason(), p.GetDetail(), c.status, c.reason)
		}
		if (resp.header.Get("Retry-After") != "") != (c.status == 503) {
			t.Errorf("%s: Retry-After %q", c.reason, resp.header.Get("Retry-After"))
		}
		if (resp.header.Get("WWW-Authenticate") != "") != (c.status == 401) {
			t.Errorf("%s: WWW-Authenticate %q", c.reason, resp.header.Get("WWW-Authenticate"))
		}
	}
}

func TestTokenIsTheCallers(t *testing.T) {
	r := newRig(t)
	r.fakes.getUnit = func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
		return &registrypb.GetUnitResponse{}, nil
	}
	resp := r.call(t, "GET", "/v1/"+unitName, "", "-Authorization")
	if p := problem(t, resp); p.GetReason() != "TOKEN_MISSING" || resp.header.Get("WWW-Authenticate") != `Bearer realm="strandline"` {
		t.Errorf("%s, %q", p.GetReason(), resp.header.Get("WWW-Authenticate"))
	}
	resp = r.call(t, "GET", "/v1/"+unitName, "", "Authorization: Bearer x.y.z") // RFC 6750, section 3.1
	if p := problem(t, resp); p.GetReason() != "TOKEN_INVALID" || resp.header.Get("WWW-Authenticate") != `Bearer realm="strandline", error="invalid_token"` {
		t.Errorf("%s, %q", p.GetReason(), resp.header.Get("WWW-Authenticate"))
	}
	// No other header turns into a token.
	resp = r.call(t, "GET", "/v1/"+unitName, "", "-Authorization", "Grpc-Metadata-Authorization: Bearer "+r.token(t))
	if p := problem(t, resp); p.GetReason() != "TOKEN_MISSING" {
		t.Errorf("Grpc-Metadata-Authorization: %s", p.GetReason())
	}
	resp = r.call(t, "GET", "/v1/orgs/other/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79", "")
	if p := problem(t, resp); p.GetReason() != "ORG_MISMATCH" || resp.status != 403 {
		t.Errorf("foreign org: %d %s", resp.status, p.GetReason())
	}
}

func TestFieldErrors(t *testing.T) {
	r := newRig(t)
	resp := r.call(t, "PATCH", "/v1/"+unitName+"?requestId=seven", `{"assetTag":"?!","model":"orgs/reef/models/m","shop":"orgs/reef/shops/s","commissionDate":{"year":2026,"month":1,"day":1},"attributes":{"Bad/Key~":"v"}}`)
	p := problem(t, resp)
	got := map[string]string{}
	for _, e := range p.GetErrors() {
		got[e.GetPointer()] = e.GetReason()
		if e.GetDetail() == "" {
			t.Errorf("%s has no detail", e.GetPointer())
		}
	}
	want := map[string]string{"/unit/assetTag": "INVALID_FIELD", "/unit/attributes/Bad~1Key~0": "INVALID_FIELD", "/requestId": "INVALID_FIELD"} // escapes: RFC 6901, section 3
	if diff := cmp.Diff(want, got); diff != "" || resp.status != 400 || p.GetReason() != "INVALID_FIELD" {
		t.Errorf("%d %s (-want +got):\n%s", resp.status, p.GetReason(), diff)
	}
}

// TestWhatStandsAgainstIt sees that a client app learns over JSON, too, everything that stands against a promise or a hand-out.
func TestWhatStandsAgainstIt(t *testing.T) {
	r := newRig(t)
	refusal := errs.New(errs.Precondition, "HAND_OUT_REFUSED", "nothing was handed out")
	refusal.Violations = []errs.Violation{
		{Field: "units/B-1", Description: "B-1: held", Reason: "HOLD_OPEN"},
		{Field: "units/R-1", Description: "R-1: used up", Reason: "USAGE_LIMIT_REACHED"},
	}
	r.fakes.getUnit = func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
		return nil, refusal
	}
	p := problem(t, r.call(t, "GET", "/v1/"+unitName, ""))
	want := []*typepb.Problem_Violation{
		{Reason: "HOLD_OPEN", Subject: "units/B-1", Detail: "B-1: held"},
		{Reason: "USAGE_LIMIT_REACHED", Subject: "units/R-1", Detail: "R-1: used up"},
	}
	if diff := cmp.Diff(want, p.GetViolations(), protocmp.Transform()); diff != "" || len(p.GetErrors()) != 0 {
		t.Errorf("%v (-want +got):\n%s", p.GetErrors(), diff)
	}
}

// TestMalformedRequestsSayWhatIsWanted: where the JSON or the query cannot be read, the answer says where, what, and what is wanted.
func TestMalformedRequestsSayWhatIsWanted(t *testing.T) {
	r := newRig(t)
	const search = "/v1/orgs/reef:searchAvailability"
	for _, c := range []struct {
		method, path, body string
		want               []string
	}{
		{"POST", search, `{"startTime":"tomorrow"}`, []string{"line 1, column 14 of the body: ", `"tomorrow"`, "want RFC 3339 with its zone, such as 2026-06-05T09:30:00Z"}},
		{"POST", search, "{\n\"expectedRunningTime\":\"2h\"}", []string{"line 2, column 23 of the body: ", `"2h"`, "want seconds with an s behind them, such as 900s"}},
		{"POST", search, `{"kinds":"bcd"}`, []string{"line 1, column 2 of the body: ", `unknown field "kinds"`, "/openapi.json says what each call takes"}},
		{"POST", search, `{"kind":7}`, []string{"line 1, column 9 of the body: ", "/openapi.json says what each call takes"}},
		{"GET", "/v1/orgs/reef/allocations?states=STATE_FOO", "", []string{"states", "STATE_FOO", "/openapi.json says what each call takes"}},
	} {
		p := problem(t, r.call(t, c.method, c.path, c.body))
		for _, want := range c.want {
			if !strings.Contains(p.GetDetail(), want) {
				t.Errorf("%s %s: %q does not say %q", c.path, c.body, p.GetDetail(), want)
			}
		}
		if strings.Contains(p.GetDetail(), "proto:") {
			t.Errorf("%s %s: %q", c.path, c.body, p.GetDetail())
		}
	}
}

func TestMalformedRequests(t *testing.T) {
	r := newRig(t, func(c *board.Config) { c.MaxBody = 2000 })
	r.fakes.search = func(context.Context, *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
		return &compliancepb.SearchAvailabilityResponse{}, nil
	}
	const search = "/v1/orgs/reef:searchAvailability"
	for _, c := range []struct {
		name, method, path, body string
		status                   int
		reason                   string
	}{
		{"not JSON", "POST", search, "kind=bcd", 400, "INVALID_FIELD"},
		{"cut off", "POST", search, `{"kind":"bcd"`, 400, "INVALID_FIELD"},
		{"misspelt field", "POST", search, `{"kind":"bcd","expectedDive":"9"}`, 400, "INVALID_FIELD"},
		{"wrong type", "POST", search, `{"kind":7}`, 400, "INVALID_FIELD"},
		{"not a time", "POST", search, `{"startTime":"tomorrow"}`, 400, "INVALID_FIELD"},
		{"field twice", "POST", search, `{"kind":"bcd","kind":"fins"}`, 400, "INVALID_FIELD"},
		{"too large", "POST", search, `{"kind":"` + strings.Repeat("b", 3000) + `"}`, 413, "RESOURCE_EXHAUSTED"},
		{"query not a number", "GET", "/v1/orgs/reef/units?pageSize=many", "", 400, "INVALID_FIELD"},
		{"query unknown", "GET", "/v1/orgs/reef/units?shop=north", "", 400, "INVALID_FIELD"},
		{"query unknown below", "GET", "/v1/" + unitName + ":standing?atLeast.journal=3", "", 400, "INVALID_FIELD"},
		{"query into a number", "GET", "/v1/orgs/reef/units?pageSize.x=3", "", 400, "INVALID_FIELD"},
		{"query known", "GET", "/v1/orgs/reef/units?pageSize=3&filter=x", "", 501, "UNIMPLEMENTED"}, // ListUnits is not in the fake
		{"query known below", "GET", "/v1/" + unitName + ":standing?atLeast.registry=3&knownTime=2026-03-01T00:00:00Z", "", 501, "UNIMPLEMENTED"},
		{"wrong org in the body", "POST", search, `{"shop":"orgs/other/shops/s","startTime":"2026-03-06T08:00:00Z","endTime":"2026-03-08T18:00:00Z"}`, 403, "ORG_MISMATCH"},
		{"no such path", "GET", "/v2/orgs", "", 404, "UNIMPLEMENTED"},
		{"no such path below", "GET", "/v1/orgs/reef/dragons", "", 404, "UNIMPLEMENTED"},
		{"root", "GET", "/", "", 404, "UNIMPLEMENTED"},
		{"wrong method", "DELETE", "/v1/" + unitName, "", 405, "UNIMPLEMENTED"},
		{"wrong method of ours", "POST", "/openapi.json", "", 405, "UNIMPLEMENTED"},
		{"method override", "POST", "/v1/" + unitName, "", 405, "UNIMPLEMENTED"},
		{"service that is not there", "GET", "/v1/" + unitName + ":standing", "", 501, "UNIMPLEMENTED"},
		{"internal service", "POST", "/strandline.feed.v1.FeedService/ReadFeed", "", 404, "UNIMPLEMENTED"},
		{"no such reason", "GET", "/problems/NOPE", "", 404, "NOT_FOUND"},
	} {
		t.Run(c.name, func(t *testing.T) {
			resp := r.call(t, c.method, c.path, c.body, "X-HTTP-Method-Override: GET")
			p := problem(t, resp)
			if resp.status != c.status || p.GetReason() != c.reason {
				t.Errorf("%d %s (%s), want %d %s", resp.status, p.GetReason(), p.GetDetail(), c.status, c.reason)
			}
		})
	}
}

func TestUnreachableServices(t *testing.T) {
	r := newRig(t)
	if resp := r.call(t, "GET", "/readyz", ""); resp.status != 200 {
		t.Errorf("readyz %d", resp.status)
	}
	r.server.SetServing(false)
	if resp := r.call(t, "GET", "/readyz", ""); resp.status != 503 || problem(t, resp).GetReason() != "UNAVAILABLE" {
		t.Errorf("readyz %d", resp.status)
	}
	if resp := r.call(t, "GET", "/healthz", ""); resp.status != 200 || resp.body != "ok\n" {
		t.Errorf("healthz %d", resp.status)
	}
	if err := r.server.Drain(t.Context()); err != nil {
		t.Fatal(err)
	}
	resp := r.call(t, "GET", "/v1/"+unitName, "")
	if p := problem(t, resp); resp.status != 503 || p.GetReason() != "UNAVAILABLE" || strings.Contains(p.GetDetail(), "closed") {
		t.Errorf("%d: %s", resp.status, p.GetDetail())
	}
}

func TestHeadersAndRequestID(t *testing.T) {
	r := newRig(t)
	for given, keeps := range map[string]bool{"abc-123": true, "0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79": true, "": false, "two words": false, "<script>": false, strings.Repeat("x", 129): false} {
		resp := r.call(t, "GET", "/healthz", "", "X-Request-Id: "+given)
		got := resp.header.Get("X-Request-Id")
		if (got == given) != keeps || !regexp.MustCompile(`^[A-Za-z0-9._:-]{1,128}$`).MatchString(got) {
			t.Errorf("%q became %q", given, got)
		}
	}
	h := r.call(t, "GET", "/v1/nothing", "").header
	for name, want := range map[string]string{
		"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Referrer-Policy": "no-referrer",
		"Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
	} {
		if h.Get(name) != want {
			t.Errorf("%s: %q", name, h.Get(name))
		}
	}
}

func TestLogHoldsNothingOfTheRequest(t *testing.T) {
	r := newRig(t)
	r.fakes.getUnit = func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
		return nil, errs.Missing(unitName)
	}
	r.call(t, "GET", "/v1/"+unitName+"?secret=4711", "", "X-Request-Id: req-1", "Cookie: secret=4712")
	line := r.log.String()
	if strings.Count(line, "\n") != 1 || !strings.Contains(line, "request_id=req-1") || !strings.Contains(line, "status=404") || !strings.Contains(line, "reason=NOT_FOUND") {
		t.Errorf("log: %s", line)
	}
	if strings.Contains(line, "0193b1c2") || strings.Contains(line, "471") || strings.Contains(line, "reef") {
		t.Errorf("the log tells what was asked: %s", line)
	}
}

// panicking is a connection whose calls panic.
type panicking struct{ grpc.ClientConnInterface }

func (panicking) Invoke(context.Context, string, any, any, ...grpc.CallOption) error { panic("secret") }

func TestPanicIsAProblem(t *testing.T) {
	r := newRig(t, func(c *board.Config) { c.Conn = panicking{} })
	resp := r.call(t, "GET", "/v1/"+unitName, "")
	if p := problem(t, resp); resp.status != 500 || p.GetReason() != "INTERNAL" || strings.Contains(p.String(), "secret") {
		t.Errorf("%d: %v", resp.status, p)
	}
	if !strings.Contains(r.log.String(), "secret") || !strings.Contains(r.log.String(), "board_test.go") {
		t.Errorf("no stack in the log: %s", r.log.String())
	}
}

func TestServeAndDrain(t *testing.T) {
	r := newRig(t)
	running, finish := make(chan struct{}), make(chan struct{})
	r.fakes.getUnit = func(context.Context, *registrypb.GetUnitRequest) (*registrypb.GetUnitResponse, error) {
		close(running)
		<-finish
		return &registrypb.GetUnitResponse{}, nil
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- r.board.Serve(lis) }()
	token := r.token(t)
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	called := make(chan int, 1)
	go func() {
		req, err := http.NewRequestWithContext(t.Context(), "GET", "http://"+lis.Addr().String()+"/v1/"+unitName, nil)
		if err != nil {
			t.Error(err)
			return
		}
		req.Header.Set("Authorization", "Bearer "+token)
		resp, err := client.Do(req)
		if err != nil {
			t.Error(err)
			called <- 0
			return
		}
		_ = resp.Body.Close()
		called <- resp.StatusCode
	}()
	<-running
	drained := make(chan error, 1)
	go func() { drained <- r.board.Drain(t.Context()) }()
	if err := <-served; err != nil {
		t.Errorf("serve: %v", err)
	}
	close(finish)
	if status := <-called; status != 200 {
		t.Errorf("the running request got %d", status)
	}
	if err := <-drained; err != nil {
		t.Error(err)
	}
}
