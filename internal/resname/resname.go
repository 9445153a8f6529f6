// Package resname builds and reads resource names such as `orgs/{org}/units/{unit}`.
//
// Reading checks the org against the caller's: a name of another org is refused with ORG_MISMATCH, whether or not the
// resource exists.
package resname

import (
	"context"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Org returns the org a request acts in: the token's, which the name in field must agree with. Name is a resource name
// of any depth that starts with `orgs/{org}`.
func Org(ctx context.Context, field, name string) (tenant.Org, error) {
	c, ok := tenant.FromContext(ctx)
	if !ok {
		return tenant.Org{}, errs.New(errs.Unauthenticated, "TOKEN_MISSING", "the request carries no token")
	}
	id, _, _ := strings.Cut(strings.TrimPrefix(name, "orgs/"), "/")
	org, ok := tenant.New(id)
	if !ok || !strings.HasPrefix(name, "orgs/") {
		return tenant.Org{}, errs.Field(field, name, "want a resource name that starts with orgs/{org}")
	}
	if !c.AllOrgs && c.Org.ID != org.ID {
		return tenant.Org{}, errs.New(errs.Denied, "ORG_MISMATCH", "the token is not of "+org.Name(), "org", org.ID)
	}
	return org, nil
}

// Part returns the id after `orgs/{org}/collection/` in name, for names such as `orgs/{org}/shops/{shop}`. The org must be org.
func Part(org tenant.Org, field, name, collection string) (string, error) {
	rest, ok := strings.CutPrefix(name, org.Name()+"/"+collection+"/")
	if !ok {
		if strings.HasPrefix(name, "orgs/") && !strings.HasPrefix(name+"/", org.Name()+"/") {
			return "", errs.New(errs.Denied, "ORG_MISMATCH", field+" is of another org", "field", field)
		}
		return "", errs.Field(field, name, "want "+org.Name()+"/"+collection+"/{id}")
	}
	if rest == "" || strings.Contains(rest, "/") {
		return "", errs.Field(field, name, "want "+org.Name()+"/"+collection+"/{id}")
	}
	return rest, nil
}

// Unit returns the unit's UUID in `orgs/{org}/units/{unit}`.
func Unit(org tenant.Org, field, name string) (uuid.UUID, error) {
	s, err := Part(org, field, name, "units")
	if err != nil {
		return uuid.UUID{}, err
	}
	return parse(field, name, s)
}

// UnitChild returns the unit's UUID and the child's id in `orgs/{org}/units/{unit}/{collection}/{child}`.
func UnitChild(org tenant.Org, field, name, collection string) (unit uuid.UUID, child string, err error) {
	rest, ok := strings.CutPrefix(name, org.Name()+"/units/")
	if !ok {
		_, err := Part(org, field, name, "units")
		if err == nil {
			err = errs.Field(field, name, "want "+org.Name()+"/units/{unit}/"+collection+"/{id}")
		}
		return uuid.UUID{}, "", err
	}
	u, tail, _ := strings.Cut(rest, "/")
	child, ok = strings.CutPrefix(tail, collection+"/")
	if !ok || child == "" || strings.Contains(child, "/") {
		return uuid.UUID{}, "", errs.Field(field, name, "want "+org.Name()+"/units/{unit}/"+collection+"/{id}")
	}
	unit, err = parse(field, name, u)
	return unit, child, err
}

// UnitChildUUID is UnitChild for children whose id is a UUID.
func UnitChildUUID(org tenant.Org, field, name, collection string) (unit, child uuid.UUID, err error) {
	unit, s, err := UnitChild(org, field, name, collection)
	if err != nil {
		return unit, child, err
	}
	child, err = parse(field, name, s)
	return unit, child, err
}

func parse(field, name, s string) (uuid.UUID, error) {
	id, err := uuid.Parse(s)
	if err != nil || id.String() != s {
		return uuid.UUID{}, errs.Field(field, name, "want a UUID in lower-case hexadecimal with hyphens, for example 0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79")
	}
	return id, nil
}

// ShopName returns `orgs/{org}/shops/{shop}`, or "" without a shop.
func ShopName(org tenant.Org, shop string) string { return child(org, "shops", shop) }

// ModelName returns `orgs/{org}/models/{model}`.
func ModelName(org tenant.Org, model string) string { return child(org, "models", model) }

// TechnicianName returns `orgs/{org}/technicians/{technician}`, or "" without a technician.
func TechnicianName(org tenant.Org, t string) string { return child(org, "technicians", t) }

// PackName returns `orgs/{org}/rulePacks/{pack}`.
func PackName(org tenant.Org, pack string) string { return child(org, "rulePacks", pack) }

// RuleName returns `orgs/{org}/rulePacks/{pack}/rules/{rule}`.
func RuleName(org tenant.Org, pack, rule string) string {
	return PackName(org, pack) + "/rules/" + rule
}

// Rule returns the ids of the pack and of the rule in `orgs/{org}/rulePacks/{pack}/rules/{rule}`.
func Rule(org tenant.Org, field, name string) (pack, rule string, err error) {
	head, rule, ok := strings.Cut(name, "/rules/")
	if !ok || rule == "" || strings.Contains(rule, "/") {
		return "", "", errs.Field(field, name, "want "+org.Name()+"/rulePacks/{pack}/rules/{rule}")
	}
	pack, err = Part(org, field, head, "rulePacks")
	return pack, rule, err
}

// ProcedureName returns `orgs/{org}/procedures/{procedure}`.
func ProcedureName(org tenant.Org, procedure string) string {
	return child(org, "procedures", procedure)
}

// LotName returns `orgs/{org}/lots/{lot}`.
func LotName(org tenant.Org, lot string) string { return child(org, "lots", lot) }

// RecallName returns `orgs/{org}/recalls/{recall}`.
func RecallName(org tenant.Org, recall string) string { return child(org, "recalls", recall) }

// Order returns the UUID in `orgs/{org}/orders/{order}`.
func Order(org tenant.Org, field, name string) (uuid.UUID, error) {
	s, err := Part(org, field, name, "orders")
	if err != nil {
		return uuid.UUID{}, err
	}
	return parse(field, name, s)
}

// OrderName returns `orgs/{org}/orders/{order}`.
func OrderName(org tenant.Org, order uuid.UUID) string { return child(org, "orders", order.String()) }

// Allocation returns the UUID in `orgs/{org}/allocations/{allocation}`.
func Allocation(org tenant.Org, field, name string) (uuid.UUID, error) {
	id, err := Part(org, field, name, "allocations")
	if err != nil {
		return uuid.UUID{}, err
	}
	return parse(field, name, id)
}

// AllocationName returns `orgs/{org}/allocations/{allocation}`.
func AllocationName(org tenant.Org, allocation uuid.UUID) string {
	return child(org, "allocations", allocation.String())
}

// CertificateName returns `orgs/{org}/orders/{order}/certificate`.
func CertificateName(org tenant.Org, order uuid.UUID) string {
	return OrderName(org, order) + "/certificate"
}

// OrderOfCertificate returns the UUID in `orgs/{org}/orders/{order}/certificate`.
func OrderOfCertificate(org tenant.Org, field, name string) (uuid.UUID, error) {
	order, ok := strings.CutSuffix(name, "/certificate")
	if !ok {
		return uuid.UUID{}, errs.Field(field, name, "want "+org.Name()+"/orders/{order}/certificate")
	}
	return Order(org, field, order)
}

// UnitName returns `orgs/{org}/units/{unit}`.
func UnitName(org tenant.Org, unit uuid.UUID) string { return child(org, "units", unit.String()) }

// EntryName returns `orgs/{org}/units/{unit}/entries/{entry}`.
func EntryName(org tenant.Org, unit, entry uuid.UUID) string {
	return UnitName(org, unit) + "/entries/" + entry.String()
}

// FittingName returns `orgs/{org}/units/{unit}/fittings/{fitting}`.
func FittingName(org tenant.Org, unit, fitting uuid.UUID) string {
	return UnitName(org, unit) + "/fittings/" + fitting.String()
}

// HoldName returns `orgs/{org}/units/{unit}/holds/{hold}`.
func HoldName(org tenant.Org, unit uuid.UUID, hold string) string {
	return UnitName(org, unit) + "/holds/" + hold
}

// WaiverName returns `orgs/{org}/units/{unit}/waivers/{waiver}`.
func WaiverName(org tenant.Org, unit uuid.UUID, waiver string) string {
	return UnitName(org, unit) + "/waivers/" + waiver
}

func child(org tenant.Org, collection, id string) string {
	if id == "" {
		return ""
	}
	return org.Name() + "/" + collection + "/" + id
}
