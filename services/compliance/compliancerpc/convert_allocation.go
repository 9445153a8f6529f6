package compliancerpc

import (
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/compliance"
)

// allocationPB returns the message of an allocation.
func allocationPB(org tenant.Org, a *compliance.Allocation) *compliancepb.Allocation {
	out := &compliancepb.Allocation{
		Name: resname.AllocationName(org, a.ID), Group: a.Group.String(), Outfit: a.Outfit, Kind: a.Kind, Size: a.Size, Shop: resname.ShopName(org, a.Shop),
		Unit: resname.UnitName(org, a.Unit), AssetTag: a.Tag, StartTime: instantPB(a.Start), EndTime: instantPB(a.End),
		ExpectedDives: a.Expected.Dives, ExpectedFills: a.Expected.Fills, State: compliancepb.Allocation_State(a.State), ExpireTime: instantPB(a.Expires),
		Pinned: a.Pinned, Reference: a.Reference, CreateTime: instantPB(a.Created), Creator: a.Creator, ConfirmTime: instantPB(a.Confirmed),
		HandOutTime: instantPB(a.HandedOut), Hander: a.Hander, FinishTime: instantPB(a.Finished), Finisher: a.Finisher, FinishReason: a.FinishedReason,
		Entries: a.Entries,
	}
	if a.Expected.Hours > 0 {
		out.ExpectedRunningTime = durationpb.New(a.Expected.Hours)
	}
	if a.Gate != (compliance.Position{}) {
		out.HandOutPosition = positionPB(a.Gate)
	}
	for i := range a.Conflicts {
		c := &a.Conflicts[i]
		out.Conflicts = append(out.Conflicts, &compliancepb.Conflict{KnownTime: instantPB(c.Known), Reason: &compliancepb.StandingReason{
			Code: typepb.Reason(typepb.Reason_value["REASON_"+c.Code]), Blocks: usesPB(c.Blocks), Sentence: c.Says, Clears: c.Clears,
			Unit: resname.UnitName(org, c.Unit), Rule: c.Rule, Hold: c.Hold,
		}})
	}
	for i := range a.Substitutions {
		s := &a.Substitutions[i]
		out.Substitutions = append(out.Substitutions, &compliancepb.Substitution{
			Unit: resname.UnitName(org, s.Unit), AssetTag: s.Tag, SubstituteTime: instantPB(s.At), Actor: s.Actor, Reason: s.Reason,
		})
	}
	return out
}
