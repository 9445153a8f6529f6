package rpc

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

const foreignUnit = "orgs/other/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79"

// Wherever a resource name stands, another org's is found; free text that looks like one is left alone.
func TestForeignNames(t *testing.T) {
	own := "orgs/reef"
	for _, c := range []struct {
		name string
		give proto.Message
		want string
	}{
		{"top level", &registrypb.GetUnitRequest{Name: foreignUnit}, "name"},
		{"repeated", &registrypb.BatchGetUnitsRequest{Parent: own, Names: []string{own + "/units/x", foreignUnit}}, "names"},
		{"second field", &registrypb.TransferUnitRequest{Name: own + "/units/x", DestinationShop: "orgs/other/shops/s"}, "destination_shop"},
		{"name in an update", &registrypb.UpdateShopRequest{Shop: &registrypb.Shop{Name: "orgs/other/shops/s"}}, "shop.name"},
		{"reference in a resource", &registrypb.CreateUnitRequest{Parent: own, Unit: &registrypb.Unit{Model: "orgs/other/models/m"}}, "unit.model"},
		{"request in a batch", &registrypb.BatchCreateUnitsRequest{Parent: own, Requests: []*registrypb.CreateUnitRequest{{Parent: own}, {Parent: "orgs/other"}}}, "requests.parent"},
		{"deep in a batch", &historypb.AppendEntriesRequest{Parent: own, Entries: []*historypb.Entry{{}, {Detail: &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: foreignUnit + "/entries/x"}}}}}, "entries.amendment.corrected_entry"},
		{"host of a fitting", &registrypb.FitUnitRequest{Parent: own + "/units/x", Fitting: &registrypb.Fitting{Host: foreignUnit}}, "fitting.host"},
		{"header of a stream", &historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Header_{Header: &historypb.ImportEntriesRequest_Header{Parent: "orgs/other"}}}, "header.parent"},
		{"shop of a list", &compliancepb.ListDueRequest{Parent: own, Shop: "orgs/other/shops/s"}, "shop"},
		{"name ignored in a create", &registrypb.CreateShopRequest{Parent: own, Shop: &registrypb.Shop{Name: "orgs/other/shops/s"}}, ""},
		{"free text", &registrypb.RetireUnitRequest{Name: own + "/units/x", Reason: "orgs/other/units/y took it"}, ""},
		{"empty", &registrypb.UpdateUnitRequest{}, ""},
		{"own", &historypb.AppendEntriesRequest{Parent: own, Entries: []*historypb.Entry{{Name: own + "/units/x/entries/y"}}}, ""},
	} {
		m := c.give.ProtoReflect()
		if got := nameFields(m.Descriptor()).foreign(m, "reef"); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

func batch() *historypb.AppendEntriesRequest {
	req := &historypb.AppendEntriesRequest{Parent: "orgs/reef"}
	for i := range 1000 {
		unit := fmt.Sprintf("orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-%012d", i)
		req.Entries = append(req.Entries, &historypb.Entry{
			Name: unit + "/entries/0193b1c2-0000-7a10-8b3e-2f1d4c5b6a79", Shop: "orgs/reef/shops/north", OccurredTime: timestamppb.New(time.Unix(1767225600, 0)),
			Detail: &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: 2}}}},
		})
	}
	return req
}

// BenchmarkChecks measures what the chain does with a batch of 1,000 entries.
func BenchmarkChecks(b *testing.B) {
	m := batch()
	b.Run("own org", func(b *testing.B) {
		for b.Loop() {
			if r := m.ProtoReflect(); nameFields(r.Descriptor()).foreign(r, "reef") != "" {
				b.Fatal("foreign")
			}
		}
	})
	b.Run("validate", func(b *testing.B) {
		for b.Loop() {
			if err := Validate(m); err != nil {
				b.Fatal(err)
			}
		}
	})
}
