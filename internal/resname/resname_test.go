package resname_test

import (
	"testing"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

func TestOrgComesFromTheToken(t *testing.T) {
	t.Parallel()
	reef := tenant.Must("reef")
	ctx := tenant.WithCaller(t.Context(), tenant.Caller{Org: reef})
	all := tenant.WithCaller(t.Context(), tenant.Caller{AllOrgs: true})
	if got, err := resname.Org(ctx, "parent", "orgs/reef/units/x"); err != nil || got != reef {
		t.Errorf("%v %v", got, err)
	}
	if got, err := resname.Org(all, "parent", "orgs/kelp"); err != nil || got != tenant.Must("kelp") {
		t.Errorf("a service: %v %v", got, err)
	}
	for name, want := range map[string]string{"orgs/kelp": "ORG_MISMATCH", "orgs/kelp/shops/a": "ORG_MISMATCH", "orgs/": "INVALID_FIELD", "reef": "INVALID_FIELD", "orgs/REEF": "INVALID_FIELD", "orgs/-reef": "INVALID_FIELD"} {
		if _, err := resname.Org(ctx, "parent", name); !errs.Is(err, want) {
			t.Errorf("%s: %v, want %s", name, err, want)
		}
	}
	if _, err := resname.Org(t.Context(), "parent", "orgs/reef"); !errs.Is(err, "TOKEN_MISSING") {
		t.Errorf("without a caller: %v", err)
	}
}

func TestNamesGoThereAndBack(t *testing.T) {
	t.Parallel()
	org, unit, child := tenant.Must("reef"), uuid.New(), uuid.New()
	if got, err := resname.Unit(org, "name", resname.UnitName(org, unit)); err != nil || got != unit {
		t.Errorf("%v %v", got, err)
	}
	u, e, err := resname.UnitChildUUID(org, "name", resname.EntryName(org, unit, child), "entries")
	if err != nil || u != unit || e != child {
		t.Errorf("%v %v %v", u, e, err)
	}
	if _, h, err := resname.UnitChild(org, "name", resname.HoldName(org, unit, "test-1"), "holds"); err != nil || h != "test-1" {
		t.Errorf("%v %v", h, err)
	}
	for name, want := range map[string]string{
		"orgs/kelp/units/" + unit.String():          "ORG_MISMATCH",
		"orgs/reef/units/":                          "INVALID_FIELD",
		"orgs/reef/units/B-1":                       "INVALID_FIELD",
		"orgs/reef/units/" + unit.String() + "/x":   "INVALID_FIELD",
		"orgs/reef/shops/" + unit.String():          "INVALID_FIELD",
		"orgs/reef/units/{" + unit.String() + "}":   "INVALID_FIELD",
		"orgs/reef/units/urn:uuid:" + unit.String(): "INVALID_FIELD",
	} {
		if _, err := resname.Unit(org, "name", name); !errs.Is(err, want) {
			t.Errorf("%s: %v, want %s", name, err, want)
		}
	}
	if resname.ShopName(org, "") != "" {
		t.Error("no shop has a name")
	}
}
