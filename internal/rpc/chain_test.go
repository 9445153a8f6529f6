package rpc_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/emptypb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

const unitName = "orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"

// wantStatus checks code and reason, and that there is exactly one ErrorInfo.
func wantStatus(t *testing.T, err error, code codes.Code, reason string) *status.Status {
	t.Helper()
	st := status.Convert(err)
	n := 0
	for _, d := range st.Details() {
		if _, ok := d.(*errdetails.ErrorInfo); ok {
			n++
		}
	}
	if st.Code() != code || rpc.Reason(st) != reason || n != 1 {
		t.Errorf("got %s %s with %d ErrorInfos (%s), want %s %s", st.Code(), rpc.Reason(st), n, st.Message(), code, reason)
	}
	return st
}

func TestCallGoesThroughWithTheCaller(t *testing.T) {
	r := newRig(t)
	var who tenant.Caller
	r.registry.getOrg = func(ctx context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		who, _ = tenant.FromContext(ctx)
		return &registrypb.GetOrgResponse{Org: &registrypb.Org{Name: req.GetName()}}, nil
	}
	got, err := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	if err != nil || got.GetOrg().GetName() != "orgs/reef" {
		t.Fatalf("got %v, %v", got, err)
	}
	if who.Subject != "test" || who.Role != "auditor" || who.Org.ID != "reef" || who.AllOrgs {
		t.Errorf("caller %+v", who)
	}
}

func TestAuthorizationMetadata(t *testing.T) {
	r := newRig(t)
	token := r.mint(t, "auditor", "reef")
	client := registrypb.NewRegistryServiceClient(r.conn(t, "", ""))
	for _, c := range []struct {
		name   string
		give   []string
		reason string
	}{
		{"none", nil, "TOKEN_MISSING"},
		{"empty", []string{""}, "TOKEN_INVALID"},
		{"no scheme", []string{token}, "TOKEN_INVALID"},
		{"basic", []string{"Basic " + token}, "TOKEN_INVALID"},
		{"no token", []string{"Bearer "}, "TOKEN_INVALID"},
		{"two spaces", []string{"Bearer  " + token}, "TOKEN_INVALID"},
		{"two headers", []string{"Bearer " + token, "Bearer " + token}, "TOKEN_INVALID"},
		{"two tokens", []string{"Bearer " + token + " " + token}, "TOKEN_INVALID"},
		{"lower case scheme", []string{"bearer " + token}, ""},
		{"good", []string{"Bearer " + token}, ""},
	} {
		ctx := metadata.NewOutgoingContext(t.Context(), metadata.MD{"authorization": c.give})
		_, err := client.GetOrg(ctx, &registrypb.GetOrgRequest{Name: "orgs/reef"})
		if c.reason == "" {
			if err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		wantStatus(t, err, codes.Unauthenticated, c.reason)
	}
	r.clock.Advance(2 * time.Hour)
	_, err := client.GetOrg(metadata.AppendToOutgoingContext(t.Context(), "authorization", "Bearer "+token), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	wantStatus(t, err, codes.Unauthenticated, "TOKEN_INVALID")
}

func TestUnknownMethods(t *testing.T) {
	r := newRig(t)
	conn := r.conn(t, "chain-manager", "reef")
	for _, m := range []string{"/strandline.registry.v1.RegistryService/DropEverything", "/strandline.compliance.v1.ComplianceService/GetHold", "/a.B/C"} {
		wantStatus(t, conn.Invoke(t.Context(), m, &emptypb.Empty{}, &emptypb.Empty{}), codes.Unimplemented, "UNIMPLEMENTED")
	}
	// Registered, not implemented.
	_, err := registrypb.NewRegistryServiceClient(conn).GetShop(t.Context(), &registrypb.GetShopRequest{Name: "orgs/reef/shops/north"})
	wantStatus(t, err, codes.Unimplemented, "UNIMPLEMENTED")
}

// An RPC whose proto declares no permission is refused to everyone.
func TestUndeclaredPermission(t *testing.T) {
	r := newRig(t)
	called := false
	handler := func(_ any, ctx context.Context, read func(any) error, around grpc.UnaryServerInterceptor) (any, error) {
		called = true
		return &emptypb.Empty{}, nil
	}
	r.server.RegisterService(&grpc.ServiceDesc{
		ServiceName: "strandline.test.Undeclared", HandlerType: (*any)(nil),
		Methods: []grpc.MethodDesc{{MethodName: "Do", Handler: handler}},
		Streams: []grpc.StreamDesc{{StreamName: "Flow", ServerStreams: true, Handler: func(any, grpc.ServerStream) error { called = true; return nil }}},
	}, nil)
	if got := strings.Join(r.server.Undeclared(), " "); got != "/strandline.test.Undeclared/Do /strandline.test.Undeclared/Flow" {
		t.Errorf("undeclared: %s", got)
	}
	for _, role := range []string{"chain-manager", "operator", "service"} {
		org := ""
		if role == "chain-manager" {
			org = "reef"
		}
		conn := r.conn(t, role, org)
		wantStatus(t, conn.Invoke(t.Context(), "/strandline.test.Undeclared/Do", &emptypb.Empty{}, &emptypb.Empty{}), codes.PermissionDenied, "PERMISSION_MISSING")
		s, err := conn.NewStream(t.Context(), &grpc.StreamDesc{ServerStreams: true}, "/strandline.test.Undeclared/Flow")
		if err != nil {
			t.Fatal(err)
		}
		wantStatus(t, s.RecvMsg(&emptypb.Empty{}), codes.PermissionDenied, "PERMISSION_MISSING")
	}
	if called {
		t.Error("the handler ran")
	}
}

// What is wrong with a message is not told to one who may not send it.
func TestAuthorizedBeforeValidated(t *testing.T) {
	r := newRig(t)
	bad := &registrypb.UpdateUnitRequest{Unit: &registrypb.Unit{Name: "orgs/other/units/x", AssetTag: "?"}}
	for _, c := range []struct {
		role, org string
		code      codes.Code
		reason    string
	}{
		{"", "", codes.Unauthenticated, "TOKEN_MISSING"},
		{"client-app", "reef", codes.PermissionDenied, "PERMISSION_MISSING"},
		{"technician", "reef", codes.PermissionDenied, "ORG_MISMATCH"},
		{"technician", "other", codes.InvalidArgument, "INVALID_FIELD"},
	} {
		_, err := registrypb.NewRegistryServiceClient(r.conn(t, c.role, c.org)).UpdateUnit(t.Context(), bad)
		wantStatus(t, err, c.code, c.reason)
	}
}

func TestOrgOfTheRequest(t *testing.T) {
	r := newRig(t)
	r.registry.update = func(context.Context, *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
		return &registrypb.UpdateUnitResponse{}, nil
	}
	manager := registrypb.NewRegistryServiceClient(r.conn(t, "chain-manager", "reef"))
	for _, c := range []struct{ name, reason string }{
		{"orgs/reef", ""},
		{"orgs/reef2", "ORG_MISMATCH"},
		{"orgs/ree", "ORG_MISMATCH"},
		{"orgs/-", "ORG_MISMATCH"},
		{"orgs/REEF", "ORG_MISMATCH"},
		{"orgs//reef", "ORG_MISMATCH"},
		{"orgs/", "ORG_MISMATCH"},
		{"", "INVALID_FIELD"},
		{"reef", "INVALID_FIELD"},
		{"Orgs/other", "INVALID_FIELD"},
		{" orgs/other", "INVALID_FIELD"},
	} {
		_, err := manager.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: c.name})
		switch c.reason {
		case "":
			if err != nil {
				t.Errorf("%q: %v", c.name, err)
			}
		case "ORG_MISMATCH":
			wantStatus(t, err, codes.PermissionDenied, c.reason)
		default:
			wantStatus(t, err, codes.InvalidArgument, c.reason)
		}
	}
	// The name inside an update, and a name that is only referred to.
	unit := func(name, model string) *registrypb.UpdateUnitRequest {
		return &registrypb.UpdateUnitRequest{Unit: &registrypb.Unit{Name: name, AssetTag: "A1", Model: model, Shop: "orgs/reef/shops/north", CommissionDate: date(2026, 1, 1)}}
	}
	if _, err := manager.UpdateUnit(t.Context(), unit(unitName, "orgs/reef/models/m")); err != nil {
		t.Error(err)
	}
	_, err := manager.UpdateUnit(t.Context(), unit(strings.Replace(unitName, "reef", "other", 1), "orgs/reef/models/m"))
	wantStatus(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	_, err = manager.UpdateUnit(t.Context(), unit(unitName, "orgs/other/models/m"))
	wantStatus(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	// A service acts in the org that the request names.
	if _, err := registrypb.NewRegistryServiceClient(r.conn(t, "service", "")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/any"}); err != nil {
		t.Error(err)
	}
}

// Evaluate stores nothing and may speak of units of any org by name.
func TestOrgIsNotCheckedWhereNothingIsStored(t *testing.T) {
	r := newRig(t)
	compliancepb.RegisterComplianceServiceServer(r.server, evaluator{})
	req := &compliancepb.EvaluateRequest{Unit: "orgs/other/units/x", Instant: timestamppb.New(start), Units: []*compliancepb.UnitFacts{{
		Unit: "orgs/other/units/x", Kind: "bcd", Stays: []*compliancepb.UnitFacts_Stay{{TimeZone: "UTC", Jurisdiction: "US"}},
	}}}
	if _, err := compliancepb.NewComplianceServiceClient(r.conn(t, "operator", "")).Evaluate(t.Context(), req); err != nil {
		t.Error(err)
	}
}

type evaluator struct {
	compliancepb.UnimplementedComplianceServiceServer
}

func (evaluator) Evaluate(context.Context, *compliancepb.EvaluateRequest) (*compliancepb.EvaluateResponse, error) {
	return &compliancepb.EvaluateResponse{}, nil
}

// TestViolationsOfTimes: a time that is refused is told as people write it.
func TestViolationsOfTimes(t *testing.T) {
	t.Parallel()
	got, err := rpc.Violations(&compliancepb.AllocateUnitsRequest{HoldFor: durationpb.New(1000 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	if i := slices.IndexFunc(got, func(v errs.Violation) bool { return v.Field == "hold_for" }); i < 0 || got[i].Value != "1000h0m0s" {
		t.Errorf("%+v, want one of hold_for with 1000h0m0s", got)
	}
}

func TestViolations(t *testing.T) {
	r := newRig(t)
	_, err := registrypb.NewRegistryServiceClient(r.conn(t, "technician", "reef")).UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{
		Unit:      &registrypb.Unit{Name: unitName, AssetTag: "?!", SerialNumber: strings.Repeat("9", 61), Model: "m1", Shop: "orgs/reef/shops/north", Attributes: map[string]string{"Bad Key": "v"}},
		RequestId: "seven",
	})
	st := wantStatus(t, err, codes.InvalidArgument, "INVALID_FIELD")
	got := map[string]string{}
	for _, d := range st.Details() {
		if b, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range b.GetFieldViolations() {
				got[v.GetField()] = v.GetDescription()
			}
		}
	}
	for field, want := range map[string]string{
		"unit.asset_tag":             `want text that matches ^[A-Za-z0-9][A-Za-z0-9._/-]{0,39}$ (got "?!")`,
		"unit.serial_number":         `must be at most 60 characters (got "` + strings.Repeat("9", 61) + `")`,
		"unit.model":                 `want a resource name of the form orgs/{org}/models/{model} (got "m1")`,
		"unit.commission_date":       "must be set",
		`unit.attributes["Bad Key"]`: `want text that matches ^[a-z][a-z0-9_]{0,47}$ (got "Bad Key")`,
		"request_id":                 `want a UUID in lower-case hexadecimal with hyphens, for example 0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79 (got "seven")`,
	} {
		if got[field] != want {
			t.Errorf("%s: %q, want %q", field, got[field], want)
		}
		delete(got, field)
	}
	for field, text := range got {
		t.Errorf("unexpected: %s: %s", field, text)
	}
}

func TestPanicIsOpaqueAndLogged(t *testing.T) {
	var log bytes.Buffer
	r := newRig(t, logTo(&log, slog.LevelWarn))
	r.registry.getOrg = func(context.Context, *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		panic("the secret of orgs/reef")
	}
	_, err := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	st := wantStatus(t, err, codes.Internal, "INTERNAL")
	if strings.Contains(st.String(), "secret") {
		t.Errorf("the panic is told: %s", st)
	}
	if s := log.String(); !strings.Contains(s, "the secret") || !strings.Contains(s, "chain_test.go") {
		t.Errorf("no stack in the log: %s", s)
	}
	r.history.importEntries = func(grpc.ClientStreamingServer[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]) error {
		var p *int
		*p = 1
		return nil
	}
	s, err := historypb.NewHistoryServiceClient(r.conn(t, "technician", "reef")).ImportEntries(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.CloseAndRecv()
	wantStatus(t, err, codes.Internal, "INTERNAL")
}

func logTo(w io.Writer, level slog.Level) func(*rpc.ServerConfig) {
	return func(c *rpc.ServerConfig) {
		c.Logger = slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
	}
}

func TestOneLineACallWithoutItsContents(t *testing.T) {
	var log bytes.Buffer
	r := newRig(t, logTo(&log, slog.LevelDebug))
	client := registrypb.NewRegistryServiceClient(r.conn(t, "technician", "reef"))
	r.registry.update = func(context.Context, *registrypb.UpdateUnitRequest) (*registrypb.UpdateUnitResponse, error) {
		r.clock.Advance(7 * time.Millisecond)
		return nil, errs.New(errs.Exists, "ASSET_TAG_TAKEN", "TAG-77 is taken", "tag", "TAG-77")
	}
	const traceparent = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01" // the example of W3C Trace Context, section 3.2
	ctx := metadata.AppendToOutgoingContext(t.Context(), "traceparent", traceparent)
	_, err := client.UpdateUnit(ctx, &registrypb.UpdateUnitRequest{Unit: &registrypb.Unit{
		Name: unitName, AssetTag: "TAG-77", SerialNumber: "SN-4711", Model: "orgs/reef/models/m", Shop: "orgs/reef/shops/north", CommissionDate: date(2026, 1, 1),
	}})
	wantStatus(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN")
	lines := strings.Split(strings.TrimSpace(log.String()), "\n")
	if len(lines) != 1 {
		t.Fatalf("%d lines:\n%s", len(lines), log.String())
	}
	var line map[string]any
	if err := json.Unmarshal([]byte(lines[0]), &line); err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]any{
		"level": "DEBUG", "method": "/strandline.registry.v1.RegistryService/UpdateUnit", "code": "AlreadyExists", "reason": "ASSET_TAG_TAKEN",
		"org": "reef", "subject": "test", "role": "technician", "trace_id": "4bf92f3577b34da6a3ce929d0e0e4736", "duration": float64(7 * time.Millisecond),
	} {
		if line[key] != want {
			t.Errorf("%s is %v, want %v", key, line[key], want)
		}
	}
	if id, _ := line["span_id"].(string); len(id) != 16 || id == "00f067aa0ba902b7" || id == strings.Repeat("0", 16) {
		t.Errorf("span_id %v", line["span_id"])
	}
	if strings.Contains(log.String(), "TAG-77") || strings.Contains(log.String(), "SN-4711") || strings.Contains(log.String(), "0193b1c2") {
		t.Errorf("the log holds what the request holds: %s", log.String())
	}

	log.Reset()
	r.registry.getOrg = func(context.Context, *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		return nil, errs.New(errs.Internal, "INTERNAL", "the store").Because(errors.New("disk on fire"))
	}
	_, err = client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	wantStatus(t, err, codes.Internal, "INTERNAL")
	if s := log.String(); !strings.Contains(s, `"level":"WARN"`) || !strings.Contains(s, "disk on fire") {
		t.Errorf("a fault is not told in the log: %s", s)
	}
}

// A call within a call keeps the trace, also without telemetry.
func TestTraceGoesOn(t *testing.T) {
	var log bytes.Buffer
	r := newRig(t, logTo(&log, slog.LevelDebug))
	client := registrypb.NewRegistryServiceClient(r.conn(t, "service", ""))
	depth := 0
	r.registry.getOrg = func(ctx context.Context, req *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		if depth++; depth == 1 {
			return client.GetOrg(ctx, req)
		}
		return &registrypb.GetOrgResponse{}, nil
	}
	if _, err := client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil {
		t.Fatal(err)
	}
	ids := map[any]bool{}
	for line := range strings.Lines(log.String()) {
		var m map[string]any
		if err := json.Unmarshal([]byte(line), &m); err != nil {
			t.Fatal(err)
		}
		ids[m["trace_id"]] = true
	}
	if depth != 2 || len(ids) != 1 || ids[strings.Repeat("0", 32)] {
		t.Errorf("depth %d, traces %v", depth, ids)
	}
}

func TestDefaultDeadline(t *testing.T) {
	r := newRig(t, func(c *rpc.ServerConfig) { c.DefaultDeadline = 40 * time.Millisecond })
	var left time.Duration
	r.registry.getOrg = func(ctx context.Context, _ *registrypb.GetOrgRequest) (*registrypb.GetOrgResponse, error) {
		d, ok := ctx.Deadline()
		if !ok {
			t.Error("no deadline")
		}
		left = time.Until(d)
		if left > time.Second { // the caller's own
			return &registrypb.GetOrgResponse{}, nil
		}
		<-ctx.Done()
		return nil, ctx.Err()
	}
	client := registrypb.NewRegistryServiceClient(r.conn(t, "auditor", "reef"))
	_, err := client.GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: "orgs/reef"})
	wantStatus(t, err, codes.DeadlineExceeded, "DEADLINE_EXCEEDED")
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if _, err := client.GetOrg(ctx, &registrypb.GetOrgRequest{Name: "orgs/reef"}); err != nil || left < 50*time.Second {
		t.Errorf("the caller's deadline was replaced: %v left, %v", left, err)
	}
}

func TestOversizedMessage(t *testing.T) {
	r := newRig(t, func(c *rpc.ServerConfig) { c.MaxMessage = 1000 })
	conn := r.conn(t, "auditor", "reef")
	_, err := registrypb.NewRegistryServiceClient(conn).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: strings.Repeat("x", 1500)})
	wantStatus(t, err, codes.ResourceExhausted, "RESOURCE_EXHAUSTED")
	// Far above the limit gRPC itself refuses, before any of ours runs.
	_, err = registrypb.NewRegistryServiceClient(conn).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: strings.Repeat("x", 5000)})
	if status.Code(err) != codes.ResourceExhausted {
		t.Error(err)
	}
	// A stranger's message is not even read.
	_, err = registrypb.NewRegistryServiceClient(r.conn(t, "", "")).GetOrg(t.Context(), &registrypb.GetOrgRequest{Name: strings.Repeat("x", 1500)})
	wantStatus(t, err, codes.Unauthenticated, "TOKEN_MISSING")
}

// rawCodec sends bytes as they are.
type rawCodec struct{}

func (rawCodec) Name() string { return "proto" }
func (rawCodec) Marshal(v any) (mem.BufferSlice, error) {
	return mem.BufferSlice{mem.SliceBuffer(*v.(*[]byte))}, nil
}
func (rawCodec) Unmarshal(data mem.BufferSlice, v any) error {
	*v.(*[]byte) = data.Materialize()
	return nil
}

var _ encoding.CodecV2 = rawCodec{}

func TestUndecodableMessage(t *testing.T) {
	r := newRig(t)
	garbage, reply := []byte{0x0a, 0xff, 0xff}, []byte(nil)
	err := r.conn(t, "auditor", "reef").Invoke(t.Context(), "/strandline.registry.v1.RegistryService/GetOrg", &garbage, &reply, grpc.ForceCodecV2(rawCodec{}))
	wantStatus(t, err, codes.InvalidArgument, "INVALID_FIELD")
}

func header(parent string) *historypb.ImportEntriesRequest {
	return &historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Header_{Header: &historypb.ImportEntriesRequest_Header{Parent: parent}}}
}

func records(names ...string) *historypb.ImportEntriesRequest {
	b := &historypb.ImportEntriesRequest_RecordBatch{}
	for i, n := range names {
		b.Records = append(b.Records, &historypb.ImportEntriesRequest_Record{Row: int64(i + 2), Entry: &historypb.Entry{Name: n}})
	}
	return &historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Records{Records: b}}
}

func TestStreamMessagesAreChecked(t *testing.T) {
	r := newRig(t)
	byHandler := false
	received := 0
	r.history.importEntries = func(s grpc.ClientStreamingServer[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]) error {
		received = 0
		if byHandler {
			rpc.ValidateRows(s.Context())
		}
		for {
			_, err := s.Recv()
			if errors.Is(err, io.EOF) {
				return s.SendAndClose(&historypb.ImportEntriesResponse{})
			}
			if err != nil {
				return err
			}
			received++
		}
	}
	client := historypb.NewHistoryServiceClient(r.conn(t, "technician", "reef"))
	send := func(messages ...*historypb.ImportEntriesRequest) error {
		s, err := client.ImportEntries(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range messages {
			if err := s.Send(m); err != nil && !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
		}
		_, err = s.CloseAndRecv()
		return err
	}
	if err := send(header("orgs/reef")); err != nil || received != 1 {
		t.Errorf("%v after %d", err, received)
	}
	wantStatus(t, send(header("orgs/other")), codes.PermissionDenied, "ORG_MISMATCH")
	wantStatus(t, send(header("reef")), codes.InvalidArgument, "INVALID_FIELD")
	wantStatus(t, send(&historypb.ImportEntriesRequest{}), codes.InvalidArgument, "INVALID_FIELD")
	wantStatus(t, send(header("orgs/reef"), records("bad")), codes.InvalidArgument, "INVALID_FIELD")
	byHandler = true
	if err := send(header("orgs/reef"), records("bad"), records("worse")); err != nil || received != 3 {
		t.Errorf("%v after %d", err, received)
	}
	wantStatus(t, send(header("orgs/other")), codes.PermissionDenied, "ORG_MISMATCH")
}
