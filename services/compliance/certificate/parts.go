package certificate

import (
	"cmp"
	"maps"
	"slices"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// parts counts what became of parts, and says from which lots new ones are. A part that nothing happened to is left out.
func (m *maker) parts() (out []*compliancepb.CertifiedPart) {
	parts := map[string]*compliancepb.CertifiedPart{}
	lots := map[string]map[string]*compliancepb.CertifiedLot{}
	for _, e := range m.log.events {
		moved := e.GetPartMoved()
		if moved == nil || !m.log.stands(e) {
			continue
		}
		p, n := parts[moved.GetPart()], moved.GetCount()
		if p == nil {
			p = &compliancepb.CertifiedPart{Part: moved.GetPart()}
			parts[p.GetPart()], lots[p.GetPart()] = p, map[string]*compliancepb.CertifiedLot{}
		}
		var from *compliancepb.CertifiedLot
		if name := moved.GetLot(); name != "" {
			if from = lots[p.GetPart()][name]; from == nil {
				from = m.lot(name)
				lots[p.GetPart()][name] = from
			}
		}
		switch moved.GetMove() {
		case historypb.PartMove_PART_MOVE_REMOVED:
			p.Removed += n
			if from != nil {
				from.TakenOut += n
			}
		case historypb.PartMove_PART_MOVE_ABSENT:
			p.Absent += n
		case historypb.PartMove_PART_MOVE_DISCARDED:
			p.Discarded += n
		case historypb.PartMove_PART_MOVE_REFITTED:
			p.Refitted += n
		case historypb.PartMove_PART_MOVE_FITTED:
			p.Fitted += n
			if from != nil {
				from.Fitted += n
			}
		}
	}
	for _, part := range m.procedure.GetParts() {
		if p := parts[part.GetId()]; p != nil {
			p.Title, p.Policy = part.GetTitle(), part.GetPolicy()
			p.Lots = slices.SortedFunc(maps.Values(lots[p.GetPart()]), func(a, b *compliancepb.CertifiedLot) int { return cmp.Compare(a.GetLot(), b.GetLot()) })
			out = append(out, p)
		}
	}
	return out
}

func (m *maker) lot(name string) *compliancepb.CertifiedLot {
	l, ok := m.Lots[name]
	return &compliancepb.CertifiedLot{
		Lot: name, Registered: ok, Title: l.GetTitle(), LotNumber: l.GetLotNumber(), Supplier: l.GetSupplier(), ExpireDate: l.GetExpireDate(),
	}
}
