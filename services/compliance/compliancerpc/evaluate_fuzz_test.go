package compliancerpc

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

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
		started := time.Now()
		resp, err := Evaluate(req)
		if took := time.Since(started); took > 5*time.Second {
			t.Fatalf("%d bytes took %v", len(raw), took)
		}
		if err != nil {
			if e := errs.As(err); e == nil || e.Kind != errs.Invalid || len(e.Violations) == 0 {
				t.Fatalf("%#v", err)
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
	})
}

func dateOf(y, m, d int) *date.Date {
	return &date.Date{Year: int32(y), Month: int32(m), Day: int32(d)}
}
