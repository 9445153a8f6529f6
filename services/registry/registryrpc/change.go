package registryrpc

import (
	"fmt"
	"strconv"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/tenant"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	"strandline.example/strandline/services/registry"
)

// encodeChange makes what the feed serves for a change: the resource as it stands after it. Equal changes have equal bytes.
func encodeChange(org tenant.Org, number int64, at time.Time, c registry.Change) ([]byte, error) {
	out := &feedpb.Change{Position: number, ChangeTime: timestamppb.New(at)}
	switch {
	case c.Org != nil:
		out.Resource = &feedpb.Change_Org{Org: orgProto(*c.Org)}
	case c.Shop != nil:
		out.Resource = &feedpb.Change_Shop{Shop: shopProto(org, *c.Shop)}
	case c.Model != nil:
		out.Resource = &feedpb.Change_Model{Model: modelProto(org, *c.Model)}
	case c.Unit != nil:
		out.Resource = &feedpb.Change_Unit{Unit: unitProto(org, *c.Unit)}
	case c.Fitting != nil:
		out.Resource = &feedpb.Change_Fitting{Fitting: fittingProto(org, *c.Fitting)}
	case c.Technician != nil:
		out.Resource = &feedpb.Change_Technician{Technician: technicianProto(org, *c.Technician)}
	default:
		return nil, fmt.Errorf("change %d is about nothing", number)
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(out)
}

// index is the path of an item of a repeated field.
func index(field string, i int) string { return field + "[" + strconv.Itoa(i) + "]" }
