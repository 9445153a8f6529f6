package systemtest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	_ "google.golang.org/grpc/encoding/proto" // registers the codec that the raw one wraps
	"google.golang.org/grpc/mem"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc/rpctest"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// soon is within what time every answer comes, on a slow machine too, whatever one field says.
const soon = 15 * time.Second

// leaf is a field somewhere in a request: the fields that lead to it.
type leaf []protoreflect.FieldDescriptor

func (l leaf) last() protoreflect.FieldDescriptor { return l[len(l)-1] }

func (l leaf) String() string {
	names := make([]string, len(l))
	for i, f := range l {
		names[i] = string(f.Name())
	}
	return strings.Join(names, ".")
}

// leaves returns the fields of a message and of those within it; dates, instants and durations count as one field.
func leaves(m protoreflect.MessageDescriptor, above leaf) (out []leaf) {
	for i := range m.Fields().Len() {
		f := m.Fields().Get(i)
		if f.IsMap() || slices.ContainsFunc(above, func(a protoreflect.FieldDescriptor) bool { return a.Message() != nil && a.Message() == f.Message() }) {
			continue
		}
		here := append(slices.Clone(above), f)
		if f.Kind() == protoreflect.MessageKind && !scalarLike(f.Message()) {
			out = append(out, leaves(f.Message(), here)...)
			if f.IsList() {
				out = append(out, here)
			}
			continue
		}
		out = append(out, here)
	}
	return out
}

func scalarLike(m protoreflect.MessageDescriptor) bool {
	switch m.FullName() {
	case "google.type.Date", "google.protobuf.Timestamp", "google.protobuf.Duration":
		return true
	}
	return false
}

// with returns a copy of a request whose field has a value; lists on the way get one element, or as many as times says if they are the field.
func (l leaf) with(base proto.Message, v protoreflect.Value, times int) proto.Message {
	req := proto.Clone(base)
	m := req.ProtoReflect()
	for _, f := range l[:len(l)-1] {
		if !f.IsList() {
			m = m.Mutable(f).Message()
			continue
		}
		list := m.Mutable(f).List()
		if list.Len() == 0 {
			list.Append(list.NewElement())
		}
		m = list.Get(0).Message()
	}
	f := l.last()
	if !f.IsList() {
		m.Set(f, v)
		return req
	}
	list := m.Mutable(f).List()
	list.Truncate(0)
	for range times {
		list.Append(v)
	}
	return req
}

// worst returns ugly values of a field.
func worst(f protoreflect.FieldDescriptor) (out []protoreflect.Value) {
	switch f.Kind() {
	case protoreflect.StringKind:
		for _, s := range []string{strings.Repeat("x", 100_000), strings.Repeat("ä", 5000), "a\x00b", "\u202e\ufeff", "orgs/hostile-fields/units/-", "%s%n", "../../.."} {
			out = append(out, protoreflect.ValueOfString(s))
		}
	case protoreflect.EnumKind:
		for _, n := range []protoreflect.EnumNumber{-1, 99, math.MaxInt32} {
			out = append(out, protoreflect.ValueOfEnum(n))
		}
	case protoreflect.Int32Kind:
		for _, n := range []int32{math.MinInt32, -1, math.MaxInt32} {
			out = append(out, protoreflect.ValueOfInt32(n))
		}
	case protoreflect.Int64Kind:
		for _, n := range []int64{math.MinInt64, -1, math.MaxInt64} {
			out = append(out, protoreflect.ValueOfInt64(n))
		}
	case protoreflect.BoolKind:
		out = append(out, protoreflect.ValueOfBool(true))
	case protoreflect.BytesKind:
		out = append(out, protoreflect.ValueOfBytes(bytes.Repeat([]byte{255}, 100_000)))
	case protoreflect.MessageKind:
		parts := func(vs ...int64) {
			m := dynamicpb.NewMessage(f.Message())
			for i, v := range vs {
				p := f.Message().Fields().Get(i)
				if p.Kind() == protoreflect.Int32Kind {
					m.Set(p, protoreflect.ValueOfInt32(int32(v)))
				} else {
					m.Set(p, protoreflect.ValueOfInt64(v))
				}
			}
			out = append(out, protoreflect.ValueOfMessage(m))
		}
		switch f.Message().FullName() {
		case "google.type.Date":
			for _, d := range [][3]int64{{1, 1, 1}, {1899, 12, 31}, {1900, 1, 1}, {2999, 12, 31}, {3000, 1, 1}, {9999, 12, 31}, {0, 0, 0}, {-1, -1, -1}, {math.MaxInt32, 12, 31}, {2026, 2, 30}, {2026, 13, 1}, {0, 5, 0}} {
				parts(d[:]...)
			}
		case "google.protobuf.Timestamp": // 0001-01-01, the year before, 9999-12-31, the year after, and what is no instant at all
			for _, s := range [][2]int64{{-62135596800, 0}, {-62135596801, 0}, {253402300799, 999999999}, {253402300800, 0}, {math.MinInt64, 0}, {math.MaxInt64, 0}, {0, -1}, {0, math.MaxInt32}} {
				parts(s[:]...)
			}
		case "google.protobuf.Duration":
			for _, s := range [][2]int64{{315576000000, 0}, {-315576000000, 0}, {math.MaxInt64, 0}, {1, -1}, {0, math.MaxInt32}} {
				parts(s[:]...)
			}
		default:
			out = append(out, protoreflect.ValueOfMessage(dynamicpb.NewMessage(f.Message())))
		}
	}
	return out
}

// someUnit is the unit that the smallest requests are about; there is none.
const someUnit = "5f0c8f5e-6f7e-4a10-8b3e-2f1d4c5b6a79"

// each calls fn with every RPC of the public server that takes one message, with the smallest request it accepts for an org.
func each(t *testing.T, org string, fn func(m protoreflect.MethodDescriptor, base proto.Message)) {
	t.Helper()
	for _, service := range public() {
		for i := range service.Methods().Len() {
			if m := service.Methods().Get(i); !m.IsStreamingClient() {
				fn(m, rpctest.Request(t, m, org))
			}
		}
	}
}

// ask sends one message and returns the end of the answer: a stream of answers counts as answered with its first message, or when it has
// begun and has nothing to say.
func ask(ctx context.Context, conn *grpc.ClientConn, m protoreflect.MethodDescriptor, req any, opts ...grpc.CallOption) error {
	path := "/" + string(m.Parent().FullName()) + "/" + string(m.Name())
	if !m.IsStreamingServer() {
		return conn.Invoke(ctx, path, req, dynamicpb.NewMessage(m.Output()), opts...)
	}
	patience := 300 * time.Millisecond
	if _, raw := req.([]byte); raw {
		patience = soon // a refusal is awaited
	}
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, path, opts...)
	if err != nil {
		return err
	}
	if err := s.SendMsg(req); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if err := s.CloseSend(); err != nil {
		return err
	}
	err = s.RecvMsg(dynamicpb.NewMessage(m.Output()))
	if errors.Is(err, io.EOF) || status.Code(err) == grpccodes.DeadlineExceeded {
		return nil
	}
	return err
}

// fault says what is wrong with an answer to a client that may send anything; nothing if all is well.
func fault(err error) string {
	switch status.Code(err) {
	case grpccodes.OK:
		return ""
	case grpccodes.Internal, grpccodes.Unknown, grpccodes.DataLoss, grpccodes.Unimplemented, grpccodes.DeadlineExceeded, grpccodes.Unavailable:
		return err.Error()
	}
	if strings.Contains(reasonOf(err), " ") {
		return reasonOf(err)
	}
	if n := proto.Size(status.Convert(err).Proto()); n > 6000 {
		return "an error as long as the question: " + reasonOf(err)
	}
	return ""
}

// TestEachFieldAtItsWorst sets one field after the other of every request to the worst that its type has: texts too long, numbers at
// both ends, times before and after all time, lists of thousands, enums nobody knows. Everything is answered, soon, as a refusal that says why
// or as an answer.
func TestEachFieldAtItsWorst(t *testing.T) {
	inTurn(t)
	t.Parallel()
	s := Start(t)
	f := newFleet(t, s, "hostile-fields")
	unit := f.unit("bcd", "B-1")
	conns := []*grpc.ClientConn{f.conn, s.Public(t, auth.RoleOperator, "")}
	asked, refused := 0, 0
	each(t, "hostile-fields", func(m protoreflect.MethodDescriptor, base proto.Message) {
		if m.Name() == "RebuildProjection" {
			return
		}
		renameStrings(base.ProtoReflect(), map[string]string{f.org + "/units/" + someUnit: unit})
		conn := conns[0]
		if p, _ := auth.Declared(m); !auth.Allows(auth.RoleChainManager, p) {
			conn = conns[1]
		}
		for _, l := range leaves(m.Input(), nil) {
			if l[0].Name() == "at_least" {
				continue // a position that will never come is waited for, as it should be
			}
			times := 1
			if l.last().IsList() {
				times = 3000
			}
			for i, v := range worst(l.last()) {
				if times > 1 && i > 1 {
					continue
				}
				if times > 1 && l.last().Kind() == protoreflect.StringKind {
					v = protoreflect.ValueOfString("x")
				}
				ctx, cancel := contextWithTimeout(t, soon)
				err := ask(ctx, conn, m, l.with(base, v, times))
				cancel()
				asked++
				if err != nil {
					refused++
				}
				if wrong := fault(err); wrong != "" {
					t.Errorf("%s, %s = %.80v: %s", m.Name(), l, v, wrong)
				}
			}
		}
	})
	t.Logf("%d requests, of which %d were refused", asked, refused)
	if asked < 3000 || refused < 1000 {
		t.Errorf("only %d requests, of which %d were refused", asked, refused)
	}
}

// rawCodec sends bytes as they are.
type rawCodec struct{ encoding.CodecV2 }

func (c rawCodec) Marshal(v any) (mem.BufferSlice, error) {
	if b, ok := v.([]byte); ok {
		return mem.BufferSlice{mem.SliceBuffer(b)}, nil
	}
	return c.CodecV2.Marshal(v)
}

func (rawCodec) Name() string { return "proto" }

// TestTextsThatAreNoUTF8 puts bytes that are no UTF-8 into one text after the other of every request, and bytes that are no message in
// place of the whole: each is refused as invalid.
func TestTextsThatAreNoUTF8(t *testing.T) {
	inTurn(t)
	t.Parallel()
	s := Start(t)
	f := newFleet(t, s, "hostile-bytes")
	operator := s.Public(t, auth.RoleOperator, "")
	raw := grpc.ForceCodecV2(rawCodec{encoding.GetCodecV2("proto")})
	marker := []byte("qqqqqqqq")
	asked := 0
	each(t, "hostile-bytes", func(m protoreflect.MethodDescriptor, base proto.Message) {
		conn := f.conn
		if p, _ := auth.Declared(m); !auth.Allows(auth.RoleChainManager, p) {
			conn = operator
		}
		send := func(what string, body []byte) {
			t.Helper()
			ctx, cancel := contextWithTimeout(t, soon)
			defer cancel()
			asked++
			if err := ask(ctx, conn, m, body, raw); status.Code(err) != grpccodes.InvalidArgument || reasonOf(err) != "INVALID_FIELD" {
				t.Errorf("%s, %s: %v", m.Name(), what, err)
			}
		}
		send("no message", []byte{0x0a, 0xff, 0xff, 0xff, 0xff, 0x0f, 1})
		for _, l := range leaves(m.Input(), nil) {
			if l.last().Kind() != protoreflect.StringKind {
				continue
			}
			body, err := proto.Marshal(l.with(base, protoreflect.ValueOfString(string(marker)), 1))
			if err != nil {
				t.Fatal(err)
			}
			for _, ill := range [][]byte{[]byte("qq\xff\xfeqqqq"), []byte("\xed\xa0\x80qqqqq"), []byte("qqqqqq\xc3\x28")} {
				send(l.String(), bytes.Replace(body, marker, ill, 1))
			}
		}
	})
	t.Logf("%d requests", asked)
	if asked < 500 {
		t.Errorf("only %d requests", asked)
	}
}

// TestPageTokensOfOthers gives every list the page tokens of every other, of the same list of another org, of another question, and its own
// one with a letter changed or thousands added: none is taken.
func TestPageTokensOfOthers(t *testing.T) {
	inTurn(t)
	t.Parallel()
	s := Start(t)
	orgs := []*fleet{newFleet(t, s, "left"), newFleet(t, s, "right")}
	recall := &compliancepb.Recall{
		Title: "inflators", Source: &compliancepb.Source{Document: "a notice"}, Scope: &compliancepb.Scope{Kinds: []string{"bcd"}}, Blocks: []compliancepb.Use{compliancepb.Use_USE_FILL}, RemediedBy: []string{"inflator-replacement"},
	}
	parents := map[string]string{} // by org and method, where it wants the name of one thing
	for _, f := range orgs {
		org := strings.TrimPrefix(f.org, "orgs/")
		if _, err := f.registry.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: f.org, TechnicianId: "t0", Technician: &registrypb.Technician{DisplayName: "t0"}}); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{"l1", "l2"} {
			if _, err := historypb.NewLotServiceClient(f.conn).CreateLot(t.Context(), &historypb.CreateLotRequest{Parent: f.org, LotId: id, Lot: &historypb.Lot{Title: "seals"}}); err != nil {
				t.Fatal(err)
			}
		}
		parents[org+" ListPartUses"] = f.org + "/lots/l1"
		if _, err := compliancepb.NewRecallServiceClient(f.conn).OpenRecall(t.Context(), &compliancepb.OpenRecallRequest{Parent: f.org, RecallId: "r1", RequestId: uuid.NewString(), Recall: recall}); err != nil {
			t.Fatal(err)
		}
		parents[org+" ListRecalledUnits"] = f.org + "/recalls/r1"
		for _, tag := range []string{"B-1", "B-2", "B-3"} {
			unit := f.unit("bcd", tag)
			parents[org+" ListCertificates"], parents[org+" ListInstrumentUses"] = unit, unit
			if _, err := historypb.NewOrderServiceClient(f.conn).OpenOrder(t.Context(), &historypb.OpenOrderRequest{
				Parent: f.org, OrderId: uuid.NewString(), Unit: unit, Procedure: "bcd-inspection", OccurredTime: timestamppb.New(now), Technician: f.org + "/technicians/t0",
			}); err != nil {
				t.Fatal(err)
			}
			if _, err := f.compliance.PlaceHold(t.Context(), &compliancepb.PlaceHoldRequest{Parent: unit, RequestId: uuid.NewString(), Hold: &compliancepb.Hold{Reason: "looked at", Blocks: []compliancepb.Use{compliancepb.Use_USE_FILL}}}); err != nil {
				t.Fatal(err)
			}
			if _, err := f.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: unit, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
				Rule: f.org + "/rulePacks/house/rules/bcd", Reason: "parts are late", Signer: "A. Signer", EndDate: &date.Date{Year: 2026, Month: 6, Day: 20},
			}}); err != nil {
				t.Fatal(err)
			}
			f.append(dives(unit, now.Add(-time.Hour), 1))
		}
		for _, id := range []string{"t1", "t2"} {
			if _, err := f.registry.CreateTechnician(t.Context(), &registrypb.CreateTechnicianRequest{Parent: f.org, TechnicianId: id, Technician: &registrypb.Technician{DisplayName: id}}); err != nil {
				t.Fatal(err)
			}
		}
		for i, way := range [][2]string{{"north", "south"}, {"south", "north"}} {
			if _, err := f.availability.SetTransferTime(t.Context(), &compliancepb.SetTransferTimeRequest{Parent: f.org, TransferTime: &compliancepb.TransferTime{
				FromShop: f.org + "/shops/" + way[0], ToShop: f.org + "/shops/" + way[1], Duration: durationpb.New(time.Hour),
			}}); err != nil {
				t.Fatal(err)
			}
			set := f.unit("regulator-set", []string{"R-0", "R-1"}[i])
			if _, err := f.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: set, AtLeast: f.position}); err != nil {
				t.Fatal(err)
			}
			if _, err := f.availability.AllocateUnits(t.Context(), &compliancepb.AllocateUnitsRequest{
				Parent: f.org, Shop: f.org + "/shops/north", StartTime: timestamppb.New(now), EndTime: timestamppb.New(now.AddDate(0, 6, 0)), Confirm: true,
				Outfits: []*compliancepb.Outfit{{Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set", Unit: set}}}},
			}); err != nil {
				t.Fatal(err)
			}
		}
		pack, err := f.compliance.GetRulePack(t.Context(), &compliancepb.GetRulePackRequest{Name: f.org + "/rulePacks/house"})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.compliance.PublishRulePack(t.Context(), &compliancepb.PublishRulePackRequest{Parent: f.org, RulePackId: "other", RulePack: unnamed(pack.GetRulePack()), RequestId: uuid.NewString()}); err != nil {
			t.Fatal(err)
		}
		if _, err := f.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: f.org}); err != nil {
			t.Fatal(err)
		}
	}
	s.Clock.Set(now.AddDate(0, 9, 0)) // notices and digests
	type list struct {
		m    protoreflect.MethodDescriptor
		base func(org string) proto.Message
	}
	var lists []list
	operator := s.Public(t, auth.RoleOperator, "")
	conns := map[string]*grpc.ClientConn{}
	for _, org := range []string{"left", "right"} {
		conns[org] = s.Public(t, auth.RoleChainManager, org)
	}
	each(t, "left", func(m protoreflect.MethodDescriptor, _ proto.Message) {
		if m.Input().Fields().ByName("page_token") == nil {
			return
		}
		lists = append(lists, list{m, func(org string) proto.Message {
			req := rpctest.Request(t, m, org)
			fields := req.Descriptor().Fields()
			req.Set(fields.ByName("page_size"), protoreflect.ValueOfInt32(1))
			if f := fields.ByName("parent"); f != nil {
				at := "orgs/" + org
				switch parent := req.Get(f).String(); {
				case parents[org+" "+string(m.Name())] != "": // of one thing, and not of all
					at = parents[org+" "+string(m.Name())]
				case strings.Contains(parent, "/units/"):
					at += "/units/-"
				case strings.Contains(parent, "/shops/"):
					at += "/shops/-"
				}
				req.Set(f, protoreflect.ValueOfString(at))
			}
			if f := fields.ByName("recall"); f != nil { // of something
				req.Clear(f)
				b, err := proto.Marshal(&compliancepb.PreviewRecallRequest{Recall: recall})
				if err == nil {
					err = proto.UnmarshalOptions{Merge: true}.Unmarshal(b, req.Interface())
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if f := fields.ByName("states"); f != nil { // by then they have run out
				req.Mutable(f).List().Append(protoreflect.ValueOfEnum(protoreflect.EnumNumber(compliancepb.Allocation_STATE_EXPIRED)))
			}
			if f := fields.ByName("include_ended"); f != nil {
				req.Set(f, protoreflect.ValueOfBool(true))
			}
			if f := fields.ByName("horizon_days"); f != nil {
				req.Set(f, protoreflect.ValueOfInt32(700))
			}
			return req
		}})
	})
	call := func(l list, org string, req proto.Message) (token string, err error) {
		conn := conns[org]
		if p, _ := auth.Declared(l.m); !auth.Allows(auth.RoleChainManager, p) {
			conn = operator
		}
		ctx, cancel := contextWithTimeout(t, soon)
		defer cancel()
		resp := dynamicpb.NewMessage(l.m.Output())
		err = conn.Invoke(ctx, "/"+string(l.m.Parent().FullName())+"/"+string(l.m.Name()), req, resp)
		return resp.Get(l.m.Output().Fields().ByName("next_page_token")).String(), err
	}
	own := map[string]string{} // by list and org
	var with []string
	for _, l := range lists {
		for _, org := range []string{"left", "right"} {
			token, err := call(l, org, l.base(org))
			if err != nil {
				t.Fatalf("%s: %v", l.m.Name(), err)
			}
			if token != "" {
				own[string(l.m.Name())+" "+org] = token
			}
		}
		if own[string(l.m.Name())+" left"] != "" {
			with = append(with, string(l.m.Name()))
		}
	}
	t.Logf("lists: %v", with)
	for _, name := range []string{"ListWaivers", "ListNotices", "ListDigests", "ListRulePacks", "ListDue", "ListHolds", "ListOrders", "ListLots", "ListProcedures", "ListRecalledUnits", "ListAllocations", "ListTransferTimes"} {
		if own[name+" left"] == "" || own[name+" right"] == "" {
			t.Errorf("%s has no second page to ask for", name)
		}
	}
	for _, l := range lists {
		name := string(l.m.Name())
		mine := own[name+" left"]
		try := func(what, token string, change func(m protoreflect.Message)) {
			t.Helper()
			req := l.base("left")
			m := req.ProtoReflect()
			m.Set(m.Descriptor().Fields().ByName("page_token"), protoreflect.ValueOfString(token))
			if change != nil {
				change(m)
			}
			if _, err := call(l, "left", req); status.Code(err) != grpccodes.InvalidArgument || reasonOf(err) != "PAGE_TOKEN_INVALID" || fault(err) != "" {
				t.Errorf("%s takes %s: %v", name, what, err)
			}
		}
		for of, token := range own {
			if of != name+" left" && of != "ListOrgs left" && of != "ListOrgs right" {
				try("the token of "+of, token, nil)
			}
		}
		try("a long text", strings.Repeat("A", 200_000), nil)
		try("no base64", "!!", nil)
		if mine == "" {
			continue
		}
		req := l.base("left")
		req.ProtoReflect().Set(req.ProtoReflect().Descriptor().Fields().ByName("page_token"), protoreflect.ValueOfString(mine))
		if _, err := call(l, "left", req); err != nil {
			t.Errorf("%s does not take its own token: %v", name, err)
		}
		changed := []byte(mine)
		changed[len(changed)/2] ^= 1
		try("its own token with a letter changed", string(changed), nil)
		try("its own token twice", mine+mine, nil)
		for _, field := range []protoreflect.Name{"shop", "kind", "after", "open", "held", "part", "include_ended", "include_lifted", "by_usage", "instant", "known_time"} {
			f := l.m.Input().Fields().ByName(field)
			if f == nil {
				continue
			}
			try("its own token for another "+string(field), mine, func(m protoreflect.Message) {
				switch {
				case f.Name() == "shop":
					m.Set(f, protoreflect.ValueOfString("orgs/left/shops/south"))
				case f.Kind() == protoreflect.StringKind:
					m.Set(f, protoreflect.ValueOfString("cylinder"))
				case f.Kind() == protoreflect.BoolKind:
					m.Set(f, protoreflect.ValueOfBool(!m.Get(f).Bool()))
				case f.Kind() == protoreflect.EnumKind:
					m.Set(f, protoreflect.ValueOfEnum(1))
				case f.Kind() == protoreflect.Int64Kind:
					m.Set(f, protoreflect.ValueOfInt64(1))
				default:
					at := m.Mutable(f).Message()
					at.Set(at.Descriptor().Fields().ByName("seconds"), protoreflect.ValueOfInt64(now.Unix()))
				}
			})
		}
	}
}

// unnamed is a pack as it may be published under another id.
func unnamed(p *compliancepb.RulePack) *compliancepb.RulePack {
	c := proto.CloneOf(p)
	c.Name = ""
	return c
}
