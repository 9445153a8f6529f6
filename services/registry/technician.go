package registry

import (
	"context"
	"fmt"
	"regexp"
	"slices"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
)

// Technician is a person who works on units.
type Technician struct {
	ID               string
	DisplayName      string
	Qualifications   []Qualification
	Version          int64
	Created, Updated time.Time
}

// Qualification is what a technician may do, from a day to a day.
type Qualification struct {
	Activity string
	Kind     string // empty for every kind
	Issuer   string
	From     civil.Mark // first day, or nothing
	Through  civil.Mark // last day, or nothing when it does not lapse
}

var kindPattern = regexp.MustCompile(`^([a-z][a-z0-9-]{0,47})?$`)

func (t Technician) check() Problems {
	ps := text("display_name", t.DisplayName)
	for i, q := range t.Qualifications {
		at := fmt.Sprintf("qualifications[%d].", i)
		ps = append(ps, text(at+"issuer", q.Issuer)...)
		if !kindPattern.MatchString(q.Kind) {
			ps = append(ps, invalid(at+"kind", q.Kind, "want a kind such as first-stage, or nothing for every kind"))
		}
		if q.From.IsMonth() {
			ps = append(ps, invalid(at+"valid_from_date", q.From.String(), "want a full date"))
		}
		if q.Through.IsMonth() {
			ps = append(ps, invalid(at+"valid_through_date", q.Through.String(), "want a full date"))
		}
		if !q.From.IsZero() && !q.Through.IsZero() && q.Through.Last() < q.From.First() {
			ps = append(ps, invalid(at+"valid_through_date", q.Through.String(), "lies before the first day, "+q.From.String()))
		}
	}
	return ps
}

func (t Technician) diff(o Technician) (d differences) {
	d.text("display_name", t.DisplayName, o.DisplayName)
	if !slices.Equal(t.Qualifications, o.Qualifications) {
		d = append(d, difference{"qualifications", fmt.Sprintf("%d qualifications", len(t.Qualifications)), "other qualifications"})
	}
	return d
}

// CreateTechnician creates a technician. It fails with ALREADY_EXISTS.
func (r *Registry) CreateTechnician(ctx context.Context, org tenant.Org, now time.Time, t Technician) (Technician, int64, error) {
	return technicians.make(ctx, r, org, now, t)
}

// UpdateTechnician changes a technician; edit is given the present one. It fails with NOT_FOUND and ETAG_MISMATCH.
func (r *Registry) UpdateTechnician(ctx context.Context, org tenant.Org, now time.Time, id, etag string, edit func(*Technician)) (Technician, int64, error) {
	return technicians.edit(ctx, r, org, now, id, etag, edit, nil)
}
