package systemtest

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rounds"
)

// TestNothingAClientSendsIsInternal sends every unary RPC of the public server messages made of ugly values, well-formed names and
// real ones among them: whatever the answer, it is not INTERNAL, UNKNOWN or DATA_LOSS, and an error carries its one reason.
func TestNothingAClientSendsIsInternal(t *testing.T) {
	t.Parallel()
	each := 80
	if testing.Short() {
		each = 4
	}
	s := Start(t)
	f := newFleet(t, s, "hostile")
	unit := f.unit("bcd", "B-1")
	g := &ugly{rng: rand.New(rand.NewPCG(rounds.Seed(t), 3)), texts: []string{
		"", "-", "x", f.org, f.org, f.org, unit, unit, f.org + "/units/-", f.org + "/shops/north", f.org + "/models/bcd", f.org + "/rulePacks/house",
		unit + "/entries/00000000-0000-4000-8000-000000000001", unit + "/holds/nothing", "bcd", "B-1", "inspection", "Europe/London", "GB",
		"00000000-0000-4000-8000-000000000002", "a\x00b", "'; drop table entries; --", strings.Repeat("ä", 3000), "kind = \"bcd\"", "(((", "NOT NOT", "\u202e",
	}}
	answered := map[grpccodes.Code]int{}
	for _, conn := range []*grpc.ClientConn{f.conn, s.Public(t, auth.RoleOperator, "")} {
		for _, service := range public() {
			for i := range service.Methods().Len() {
				m := service.Methods().Get(i)
				if m.IsStreamingClient() || m.Name() == "RebuildProjection" {
					continue
				}
				for range each {
					req := dynamicpb.NewMessage(m.Input())
					g.fill(req, 0)
					ctx, cancel := contextWithTimeout(t, 2*time.Second)
					err := ask(ctx, conn, m, req)
					cancel()
					code := status.Code(err)
					answered[code]++
					if code == grpccodes.Internal || code == grpccodes.Unknown || code == grpccodes.DataLoss {
						t.Errorf("%s: %v\nrequest: %.600v", m.FullName(), err, req)
					}
					if err != nil && code != grpccodes.DeadlineExceeded && strings.Contains(reasonOf(err), " ") {
						t.Errorf("%s: %s", m.FullName(), reasonOf(err))
					}
				}
			}
		}
	}
	t.Logf("answers: %v", answered)
	if answered[grpccodes.OK] == 0 || answered[grpccodes.InvalidArgument] == 0 {
		t.Error("the messages are too ugly, or not ugly enough, to mean anything")
	}
}

type ugly struct {
	rng   *rand.Rand
	texts []string
}

func (g *ugly) fill(m protoreflect.Message, depth int) {
	fields := m.Descriptor().Fields()
	for i := range fields.Len() {
		fd := fields.Get(i)
		if fd.IsMap() || depth > 5 || g.rng.IntN(3) == 0 || fd.Name() == "at_least" {
			continue
		}
		if fd.IsList() {
			l := m.Mutable(fd).List()
			for range g.rng.IntN(3) {
				l.Append(g.value(fd, func() protoreflect.Value { return l.NewElement() }, depth))
			}
			continue
		}
		m.Set(fd, g.value(fd, func() protoreflect.Value { return m.NewField(fd) }, depth))
	}
}

func (g *ugly) value(fd protoreflect.FieldDescriptor, fresh func() protoreflect.Value, depth int) protoreflect.Value {
	numbers := []int64{0, 1, -1, 7, 2026, 12, math.MaxInt32, math.MinInt32, 1780304400, 253402300799, -62135596800}
	n := numbers[g.rng.IntN(len(numbers))]
	switch fd.Kind() {
	case protoreflect.MessageKind:
		v := fresh()
		g.fill(v.Message(), depth+1)
		return v
	case protoreflect.StringKind:
		text := g.texts[g.rng.IntN(len(g.texts))]
		if fd.Name() == "parent" && g.rng.IntN(2) == 0 {
			text = g.texts[3]
		}
		return protoreflect.ValueOfString(text)
	case protoreflect.BytesKind:
		return protoreflect.ValueOfBytes([]byte{0, 255})
	case protoreflect.BoolKind:
		return protoreflect.ValueOfBool(n&1 == 0)
	case protoreflect.EnumKind:
		return protoreflect.ValueOfEnum(protoreflect.EnumNumber(n % 100))
	case protoreflect.Int32Kind:
		return protoreflect.ValueOfInt32(int32(n))
	case protoreflect.Int64Kind:
		if g.rng.IntN(8) == 0 {
			n = math.MaxInt64
		}
		return protoreflect.ValueOfInt64(n)
	}
	return fresh()
}
