package main

import (
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// becameOf says what became of a promise whose unit may not be handed out any more: which unit it had, which it has, and what there is to do.
func becameOf(f *compliancepb.Allocation) (had, now, what string) {
	switch {
	case len(f.GetConflicts()) == 0:
		return last(f.GetSubstitutions()).GetAssetTag(), f.GetAssetTag(), "another takes its place"
	case f.GetState() == compliancepb.Allocation_STATE_OUT:
		return f.GetAssetTag(), "", "in conflict: it is out, call the diver back"
	case f.GetPinned():
		return f.GetAssetTag(), "", "in conflict: this very unit was asked for"
	}
	return f.GetAssetTag(), "", "in conflict: there is no other"
}

// printAffected prints which promises a hold or a recall concerns, if that is known.
func (a *app) printAffected(z *zones, all []*compliancepb.Allocation, unknown bool) {
	if !a.json() && unknown {
		a.printf("\nIt could not be looked at which promises it concerns. See shortly what is in conflict with: strandline allocations list --in-conflict\n")
	}
	if a.json() || len(all) == 0 {
		return
	}
	a.printf("\nIt concerns %s:\n", plural(int64(len(all)), "promise"))
	t := newTable("reference", "shop", "from", "to", "had", "now", "~")
	for _, f := range all {
		loc := z.of(f.GetShop())
		had, now, what := becameOf(f)
		t.row(f.GetReference(), lastID(f.GetShop()), showInstant(f.GetStartTime(), loc), showInstant(f.GetEndTime(), loc), had, now, what)
	}
	t.write(a.out, "  ", a.columns)
}
