package compliancerpc

import (
	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance"
)

// watchedPB returns the message of a unit as it is told to those who watch.
func watchedPB(org tenant.Org, u *compliance.WatchedUnit) *compliancepb.UnitState {
	out := &compliancepb.UnitState{
		Unit: resname.UnitName(org, u.Unit), AssetTag: u.Tag, Kind: u.Kind, Size: u.Size, Shop: resname.ShopName(org, u.Shop), Retired: u.Retired,
		MayHandOut: u.MayHandOut, UseByDate: datePB(u.UseBy), DivesLeft: u.Dives, FillsLeft: u.Fills,
	}
	if u.Host != uuid.Nil {
		out.Host = resname.UnitName(org, u.Host)
	}
	for _, code := range u.Reasons {
		out.Reasons = append(out.Reasons, typepb.Reason(typepb.Reason_value["REASON_"+string(code)]))
	}
	if u.Hours != nil {
		out.RunningTimeLeft = durationpb.New(*u.Hours)
	}
	return out
}
