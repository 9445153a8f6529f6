package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/sheet"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// attributeColumns are those whose cells become attributes of a model or unit, beside the free ones.
var attributeColumns = []string{"specification", "alloy", "gas", "working_pressure"}

func asValidation(err error, target **protovalidate.ValidationError) bool {
	return errors.As(err, target)
}

func shopRecord(c *check, r *sheet.Row) *registrypb.ImportRecordsRequest_Record {
	id := c.id(r, "id")
	if id == "" || !c.first(r, "id", id) {
		return nil
	}
	zone := r.Need("time_zone", "write its IANA time zone, such as Europe/London")
	name := r.Need("name", "write what people call the shop")
	juris := strings.ToUpper(r.Need("jurisdiction", "write whose rules apply: US, US-FL, GB, AU"))
	loc, err := time.LoadLocation(zone)
	if zone != "" && (err != nil || zone == "Local") {
		r.Problem("time_zone", "the IANA database knows no such time zone", "write it as Europe/London, America/New_York, Australia/Brisbane")
		return nil
	}
	if r.Bad {
		return nil
	}
	if have := c.w.shops[id]; have == nil {
		c.w.shops[id] = &knownShop{id: id, zone: loc, origin: c.f, line: r.Line}
	} else if have.origin != nil && have.origin != c.f {
		r.Problem("id", fmt.Sprintf("%s:%d has the same shop", have.origin.label, have.line), "delete one of the rows")
		return nil
	}
	return &registrypb.ImportRecordsRequest_Record{Record: &registrypb.ImportRecordsRequest_Record_Shop{Shop: &registrypb.Shop{
		Name: c.w.org.Name() + "/shops/" + id, DisplayName: name, TimeZone: zone, Jurisdiction: juris,
	}}}
}

func modelRecord(c *check, r *sheet.Row) *registrypb.ImportRecordsRequest_Record {
	id := c.id(r, "id")
	if id == "" || !c.first(r, "id", id) {
		return nil
	}
	name := r.Need("name", "write what people call the model")
	kind := word(r.Need("kind", "write its kind, such as "+strings.Join(knownKinds[:4], ", ")))
	if kind != "" && !c.w.kinds[kind] && !c.im.newKinds {
		remedy := "known are " + strings.Join(sortedKeys(c.w.kinds), ", ") + "; pass --allow-new-kinds if it is meant"
		if n := nearTo(kind, c.w.kinds); n != "" {
			remedy = fmt.Sprintf("did you mean %q? Pass --allow-new-kinds if a new kind is meant", n)
		}
		r.Problem("kind", "no equipment of this kind is known", remedy)
		return nil
	}
	if r.Bad {
		return nil
	}
	if have := c.w.models[id]; have == nil {
		c.w.models[id] = &knownModel{id: id, kind: kind, origin: c.f, line: r.Line}
	} else if have.origin != nil && have.origin != c.f {
		r.Problem("id", fmt.Sprintf("%s:%d has the same model", have.origin.label, have.line), "delete one of the rows")
		return nil
	}
	return &registrypb.ImportRecordsRequest_Record{Record: &registrypb.ImportRecordsRequest_Record_Model{Model: &registrypb.Model{
		Name: c.w.org.Name() + "/models/" + id, DisplayName: name, Kind: kind, Maker: r.Text("maker"), Size: r.Text("size"), Attributes: attributes(r),
	}}}
}

func attributes(r *sheet.Row) map[string]string {
	var m map[string]string
	set := func(name, column, value string) {
		if m == nil {
			m = map[string]string{}
		}
		if had, ok := m[name]; ok && had != value {
			r.Problem(column, "this attribute stands in two columns with different values", "delete one of them")
		}
		m[name] = value
	}
	for _, col := range attributeColumns {
		if v := r.Text(col); v != "" {
			set(col, col, v)
		}
	}
	r.Free(func(name, column, value string) { set(name, column, value) })
	return m
}

// technicianRecord gathers the rows of one person, one for each qualification; technicians emits the record.
func technicianRecord(c *check, r *sheet.Row) *registrypb.ImportRecordsRequest_Record {
	id := c.id(r, "id")
	name := r.Need("name", "write the person's name")
	var q *registrypb.Technician_Qualification
	if a := word(r.Text("activity")); a != "" {
		q = &registrypb.Technician_Qualification{Activity: a, Kind: word(r.Text("kind")), Issuer: r.Text("issuer")}
		from, hasFrom := r.Mark("valid_from")
		if hasFrom {
			q.ValidFromDate = dateOf(from)
		}
		if through, ok := r.Mark("valid_through"); ok {
			q.ValidThroughDate = dateOf(through)
			if hasFrom && through.Last() < from.First() {
				r.Problem("valid_through", "the qualification ends before it begins", "correct one of the dates")
			}
		}
	} else if r.Text("valid_from")+r.Text("valid_through")+r.Text("issuer") != "" {
		r.Problem("activity", "this cell is empty", "write what the qualification is for, such as overhaul")
	}
	if id == "" || r.Bad {
		return nil
	}
	t := c.tech[id]
	if t == nil {
		t = &registrypb.Technician{Name: c.w.org.Name() + "/technicians/" + id, DisplayName: name}
		c.tech[id], c.tags[id] = t, r.Line
		if c.w.technicians[id] == nil {
			c.w.technicians[id] = &knownTechnician{origin: c.f, line: r.Line}
		}
	} else if t.GetDisplayName() != name {
		r.Problem("name", fmt.Sprintf("line %d gives %s another name", c.tags[id], id), "correct one of them")
		return nil
	}
	if q != nil {
		t.Qualifications = append(t.Qualifications, q)
	}
	return nil
}

// technicians emits what technicianRecord gathered, in the order of the file.
func (c *check) technicians() {
	if c.f.typ.name != "technicians" {
		return
	}
	ids := sortedKeys(c.tech)
	slices.SortStableFunc(ids, func(a, b string) int { return int(c.tags[a] - c.tags[b]) })
	for _, id := range ids {
		rec := &registrypb.ImportRecordsRequest_Record{Row: c.tags[id], Record: &registrypb.ImportRecordsRequest_Record_Technician{Technician: c.tech[id]}}
		if c.valid(rec.GetRow(), rec) {
			c.send(rec.GetRow(), rec)
		}
	}
}

func unitRecord(c *check, r *sheet.Row) *registrypb.ImportRecordsRequest_Record {
	tag := r.Need("tag", "write the asset tag on the unit")
	modelID := strings.ToLower(r.Need("model", "write the id of a model in models.csv"))
	shopCell := r.Need("shop", "write the id of the shop where it is")
	if tag != "" && !c.first(r, "tag", tag) {
		return nil
	}
	u := &registrypb.Unit{AssetTag: tag, SerialNumber: r.Text("serial"), Size: r.Text("size"), Attributes: attributes(r)}
	var m *knownModel
	if modelID != "" {
		if m = c.w.models[modelID]; m == nil {
			remedy := "add it to models.csv, or correct it"
			if n := nearTo(modelID, c.w.models); n != "" {
				remedy = fmt.Sprintf("did you mean %q?", n)
			}
			r.Problem("model", "there is no such model", remedy)
		} else {
			c.need(m.origin)
			u.Model = c.w.org.Name() + "/models/" + modelID
		}
	}
	var s *knownShop
	if shopCell != "" {
		s = c.shop(r, "shop")
	}
	made, hasMade := r.Mark("manufactured")
	if hasMade && c.pastMark(r, "manufactured", made) {
		u.ManufactureDate = dateOf(made)
	}
	since, hasSince := r.Mark("commissioned")
	switch {
	case hasSince && since.IsMonth():
		r.Problem("commissioned", "a day is needed here, not a month", "write it as 2026-03-09")
	case hasSince && !c.pastMark(r, "commissioned", since):
	case hasSince:
		u.CommissionDate = dateOf(since)
		if hasMade && made.First() > since.First() {
			r.Problem("manufactured", "the unit was in the fleet before it was made", "correct one of the dates")
		}
	case !r.Bad:
		r.Need("commissioned", "write the day the unit entered the fleet; nothing of its history may lie before it")
	}
	if r.Bad || m == nil || s == nil {
		return nil
	}
	shop := s.id
	switch have := c.w.units[tag]; {
	case have == nil || have.origin == c.f:
		c.w.units[tag] = &knownUnit{tag: tag, name: plannedUnit(c.w.org, tag), kind: m.kind, commissioned: since.First(), stays: []stay{{shop: shop}}, origin: c.f, line: r.Line}
	case have.origin != nil:
		r.Problem("tag", fmt.Sprintf("%s:%d has the same tag", have.origin.label, have.line), "delete one of the rows, or correct the tag")
		return nil
	case have.retired.IsZero() && have.was(shop):
		// The sheet says where the unit came into the fleet; where it has been moved to since is the registry's to know.
		shop = have.shop()
	}
	u.Shop = c.w.org.Name() + "/shops/" + shop
	return &registrypb.ImportRecordsRequest_Record{Record: &registrypb.ImportRecordsRequest_Record_Unit{Unit: u}}
}

func fittingRecord(c *check, r *sheet.Row) *registrypb.ImportRecordsRequest_Record {
	part, host := c.unit(r, "part"), c.unit(r, "host")
	if part == nil || host == nil {
		return nil
	}
	if part == host {
		r.Problem("host", "the part and what it is fitted to are the same unit", "correct one of the tags")
		return nil
	}
	zone := c.zone(part.stays[0].shop)
	f := &registrypb.FittingRecord{PartTag: part.tag, HostTag: host.tag, Place: r.Text("place")}
	from, ok := r.Instant("from", "from_time", zone)
	if !ok {
		if !r.Bad {
			r.Need("from", "write the day it was fitted")
		}
		return nil
	}
	if shop := part.at(from); c.zone(shop) != zone {
		from, _ = r.Instant("from", "from_time", c.zone(shop))
	}
	c.past(r, "from", from)
	f.FitTime = timestamppb.New(from)
	if to, ok := r.Instant("to", "to_time", c.zone(part.at(from))); ok {
		c.past(r, "to", to)
		if !to.After(from) {
			r.Problem("to", "it was taken off before it was fitted, or at the same moment", "correct one of the dates; give times if both were on one day")
		}
		f.UnfitTime = timestamppb.New(to)
	} else if r.Text("to") == "" && r.Text("to_time") != "" {
		r.Problem("to", "there is a time and no date", "write the day it was taken off")
	}
	return &registrypb.ImportRecordsRequest_Record{Record: &registrypb.ImportRecordsRequest_Record_Fitting{Fitting: f}}
}

// zone returns a shop's time zone; a unit's shop is always known.
func (c *check) zone(shop string) *time.Location {
	if s := c.w.shops[shop]; s != nil {
		return s.zone
	}
	return time.UTC
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
