package compliancerpc

import (
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// FuzzEvaluate sends any bytes that parse as a request, in the binary or the JSON encoding. Whatever a client sends is
// answered or refused as the client's mistake, in bounded time, and the same way twice.
func FuzzEvaluate(f *testing.F) {
	for _, at := range []string{"2025-07-01T00:00:00Z", "2026-04-01T04:00:00Z"} {
		req := exampleQuestion(f, at)
		raw, err := proto.Marshal(req)
		if err != nil {
			f.Fatal(err)
		}
		text, err := protojson.Marshal(req)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw)
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		if len(raw) > 1<<16 {
			return
		}
		req := &compliancepb.EvaluateRequest{}
		if proto.Unmarshal(raw, req) != nil {
			req.Reset()
			if protojson.Unmarshal(raw, req) != nil {
				return
			}
		}
		holdEvaluate(t, req)
	})
}

// FuzzEvaluateFields changes fields of a valid request at random, which gets further than changing bytes. The seeds alone
// try a few thousand requests; with -short a hundred.
func FuzzEvaluateFields(f *testing.F) {
	seeds := uint64(3_000)
	if testing.Short() {
		seeds = 100
	}
	for seed := range seeds {
		f.Add(seed, uint8(seed%9))
	}
	f.Fuzz(func(t *testing.T, seed uint64, changes uint8) {
		r := rand.New(rand.NewPCG(seed, 0))
		req := excused(t, "2026-02-10T12:00:00Z")
		for range changes % 40 {
			change(r, req.ProtoReflect())
		}
		holdEvaluate(t, req)
	})
}

// holdEvaluate holds Evaluate to what it promises for every request.
func holdEvaluate(t *testing.T, req *compliancepb.EvaluateRequest) {
	t.Helper()
	started := time.Now()
	resp, err := Evaluate(req)
	if took := time.Since(started); took > 10*time.Second {
		t.Fatalf("%d bytes took %v", proto.Size(req), took)
	}
	if err != nil {
		if e := errs.As(err); e == nil || e.Kind != errs.Invalid || len(e.Violations) == 0 {
			t.Fatalf("%#v for %v", err, req)
		}
		return
	}
	s := resp.GetStanding()
	if (len(s.GetReasons()) == 0) != (s.GetMayHandOut() && s.GetMayFill()) {
		t.Fatalf("a no without a reason, or a reason without a no: %v", s)
	}
	again, err := Evaluate(req)
	if err != nil || !proto.Equal(resp, again) {
		t.Fatalf("another answer the second time: %v", err)
	}
	if _, err := proto.Marshal(resp); err != nil {
		t.Fatal(err)
	}
}

// change walks down a message at random and changes one field on the way.
func change(r *rand.Rand, m protoreflect.Message) {
	fields := m.Descriptor().Fields()
	if fields.Len() == 0 {
		return
	}
	fd := fields.Get(r.IntN(fields.Len()))
	switch {
	case r.IntN(12) == 0:
		m.Clear(fd)
	case fd.IsMap():
		m.Mutable(fd).Map().Set(protoreflect.ValueOfString(text(r)).MapKey(), protoreflect.ValueOfString(text(r)))
	case fd.IsList():
		l := m.Mutable(fd).List()
		switch n := l.Len(); {
		case n > 0 && r.IntN(6) == 0:
			l.Append(l.Get(r.IntN(n)))
		case n > 0 && r.IntN(6) == 0:
			l.Truncate(r.IntN(n))
		case n > 1 && r.IntN(6) == 0:
			i, j := r.IntN(n), r.IntN(n)
			a, b := l.Get(i), l.Get(j)
			l.Set(i, b)
			l.Set(j, a)
		case fd.Message() != nil && n > 0:
			change(r, l.Get(r.IntN(n)).Message())
		case fd.Message() != nil:
			change(r, l.AppendMutable().Message())
		default:
			l.Append(scalar(r, fd))
		}
	case fd.Message() != nil:
		change(r, m.Mutable(fd).Message())
	default:
		m.Set(fd, scalar(r, fd))
	}
}

func scalar(r *rand.Rand, fd protoreflect.FieldDescriptor) protoreflect.Value {
	numbers := []int64{0, 1, -1, 2, 12, 29, 31, 100, 2024, 2999, 1_700_000_000, 1<<31 - 1, -1 << 31, 1<<63 - 1, -1 << 63, r.Int64N(4_000_000_000)}
	n := numbers[r.IntN(len(numbers))]
	switch fd.Kind() {
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(n&1 == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(r.IntN(7) - 1))
	case protoreflect.Int32Kind, protoreflect.Sint32Kind, protoreflect.Sfixed32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	case protoreflect.Int64Kind, protoreflect.Sint64Kind, protoreflect.Sfixed64Kind:
		return protoreflect.ValueOfInt64(n)
	case protoreflect.StringKind:
		return protoreflect.ValueOfString(text(r))
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte(text(r)))
	}
	return fd.Default()
}

func text(r *rand.Rand) string {
	words := []string{
		"", "C-1", "V-1", "hydro", "fills-1", "leak", "wrong", "cylinder", "hydrostatic-test", "valve-service", "US", "US-FL", "UTC", "Asia/Beirut", "../etc/passwd",
		"us/valve", "orgs/demo/units/6b1f6a5e-3c0d-5d5b-9a53-0d6e1f0c7a11", "6b1f6a5e-3c0d-5d5b-9a53-0d6e1f0c7a11", "3AL", "|", "#1", "\u00e9\u4e2d", "/", "rulePacks/",
	}
	return words[r.IntN(len(words))]
}

func dateOf(y, m, d int) *date.Date {
	return &date.Date{Year: int32(y), Month: int32(m), Day: int32(d)}
}
