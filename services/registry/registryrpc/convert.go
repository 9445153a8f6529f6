package registryrpc

import (
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

// faults gathers what cannot be converted.
type faults []errs.Violation

func (f *faults) add(field, value, description string) {
	*f = append(*f, errs.Violation{Field: field, Value: value, Description: description, Reason: "INVALID_FIELD"})
}

// keep takes an error's violations in; it returns an error that is about something else.
func (f *faults) keep(err error) error {
	e := errs.As(err)
	if e == nil || len(e.Violations) == 0 {
		return err
	}
	*f = append(*f, e.Violations...)
	return nil
}

func (f faults) err() error {
	if len(f) == 0 {
		return nil
	}
	return errs.Fields(f...)
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

// instant reads a timestamp to the microsecond; it is zero if unset.
func (f *faults) instant(field string, t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	if err := t.CheckValid(); err != nil {
		f.add(field, t.String(), "is not an instant between the years 1 and 9999")
		return time.Time{}
	}
	at := t.AsTime().Truncate(time.Microsecond)
	if at.IsZero() {
		f.add(field, t.String(), "lies before 1900")
	}
	return at
}

func dateOf(m civil.Mark) *date.Date {
	if m.IsZero() {
		return nil
	}
	y, mo, d := m.Parts()
	return &date.Date{Year: int32(y), Month: int32(mo), Day: int32(d)}
}

// mark reads a date or a month; it is nothing if unset.
func (f *faults) mark(field string, d *date.Date) civil.Mark {
	if d == nil {
		return civil.Mark{}
	}
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		f.add(field, "", err.Error())
	}
	return m
}

func orgProto(o registry.Org) *registrypb.Org {
	return &registrypb.Org{Name: "orgs/" + o.ID, DisplayName: o.DisplayName, CreateTime: stamp(o.Created)}
}

func shopProto(org tenant.Org, s registry.Shop) *registrypb.Shop {
	name := resname.ShopName(org, s.ID)
	return &registrypb.Shop{
		Name: name, DisplayName: s.DisplayName, TimeZone: s.TimeZone, Jurisdiction: s.Jurisdiction,
		Etag: registry.Etag(name, s.Version), CreateTime: stamp(s.Created), UpdateTime: stamp(s.Updated),
	}
}

func shopOf(id string, s *registrypb.Shop) registry.Shop {
	return registry.Shop{ID: id, DisplayName: s.GetDisplayName(), TimeZone: s.GetTimeZone(), Jurisdiction: s.GetJurisdiction()}
}

func modelProto(org tenant.Org, m registry.Model) *registrypb.Model {
	name := resname.ModelName(org, m.ID)
	return &registrypb.Model{
		Name: name, DisplayName: m.DisplayName, Kind: m.Kind, Maker: m.Maker, Size: m.Size, Attributes: m.Attributes,
		Etag: registry.Etag(name, m.Version), CreateTime: stamp(m.Created), UpdateTime: stamp(m.Updated),
	}
}

func modelOf(id string, m *registrypb.Model) registry.Model {
	return registry.Model{ID: id, DisplayName: m.GetDisplayName(), Kind: m.GetKind(), Maker: m.GetMaker(), Size: m.GetSize(), Attributes: m.GetAttributes()}
}

func technicianProto(org tenant.Org, t registry.Technician) *registrypb.Technician {
	name := resname.TechnicianName(org, t.ID)
	out := &registrypb.Technician{
		Name: name, DisplayName: t.DisplayName,
		Etag: registry.Etag(name, t.Version), CreateTime: stamp(t.Created), UpdateTime: stamp(t.Updated),
	}
	for _, q := range t.Qualifications {
		out.Qualifications = append(out.Qualifications, &registrypb.Technician_Qualification{
			Activity: q.Activity, Kind: q.Kind, Issuer: q.Issuer, ValidFromDate: dateOf(q.From), ValidThroughDate: dateOf(q.Through),
		})
	}
	return out
}

func technicianOf(f *faults, id, at string, t *registrypb.Technician) registry.Technician {
	out := registry.Technician{ID: id, DisplayName: t.GetDisplayName()}
	for i, q := range t.GetQualifications() {
		at := index(at+"qualifications", i) + "."
		out.Qualifications = append(out.Qualifications, registry.Qualification{
			Activity: q.GetActivity(), Kind: q.GetKind(), Issuer: q.GetIssuer(),
			From: f.mark(at+"valid_from_date", q.GetValidFromDate()), Through: f.mark(at+"valid_through_date", q.GetValidThroughDate()),
		})
	}
	return out
}

func unitProto(org tenant.Org, u registry.Unit) *registrypb.Unit {
	name := resname.UnitName(org, u.ID)
	out := &registrypb.Unit{
		Name: name, AssetTag: u.Tag, SerialNumber: u.Serial, Model: resname.ModelName(org, u.Model), Kind: u.Kind, Shop: resname.ShopName(org, u.Shop),
		ManufactureDate: dateOf(u.Manufactured), CommissionDate: dateOf(civil.Day(u.Commissioned)), Size: u.Size, Attributes: u.Attributes,
		State: registrypb.Unit_STATE_ACTIVE, RetireTime: stamp(u.Retired), RetireReason: u.RetireReason,
		Etag: registry.Etag(name, u.Version), CreateTime: stamp(u.Created), UpdateTime: stamp(u.Updated),
	}
	if !u.Living() {
		out.State = registrypb.Unit_STATE_RETIRED
	}
	for _, p := range u.Placements {
		out.Placements = append(out.Placements, &registrypb.Placement{Shop: resname.ShopName(org, p.Shop), StartTime: stamp(p.From)})
	}
	return out
}

// unitOf reads the settable fields of a unit that e names; its name is left to the caller. An error is about something else than a
// malformed field.
func unitOf(org tenant.Org, f *faults, at string, u *registrypb.Unit, e edits) (registry.Unit, error) {
	out := registry.Unit{Tag: u.GetAssetTag(), Serial: u.GetSerialNumber(), Size: u.GetSize(), Attributes: u.GetAttributes()}
	var err error
	if e.has("model") {
		if out.Model, err = part(org, at+"model", u.GetModel(), "models"); f.keep(err) != nil {
			return out, err
		}
	}
	if e.all {
		if out.Shop, err = part(org, at+"shop", u.GetShop(), "shops"); f.keep(err) != nil {
			return out, err
		}
	}
	out.Manufactured = f.mark(at+"manufacture_date", u.GetManufactureDate())
	if !e.has("commission_date") {
		return out, nil
	}
	if u.CommissionDate == nil {
		f.add(at+"commission_date", "", "must be set")
		return out, nil
	}
	commissioned := f.mark(at+"commission_date", u.GetCommissionDate())
	if commissioned.IsMonth() {
		f.add(at+"commission_date", commissioned.String(), "want a full date")
	}
	out.Commissioned = commissioned.First()
	return out, nil
}

func fittingProto(org tenant.Org, x registry.Fitting) *registrypb.Fitting {
	return &registrypb.Fitting{
		Name: resname.FittingName(org, x.Part, x.ID), Host: resname.UnitName(org, x.Host), Place: x.Place,
		FitTime: stamp(x.From), UnfitTime: stamp(x.To),
	}
}
