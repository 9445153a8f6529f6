package registryrpc_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"pgregory.net/rapid"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func TestBadFiltersAreRefused(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	_, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), Filter: `colour = "red"`})
	wantRefused(t, err, codes.InvalidArgument, "FILTER_INVALID", "filter")
	_, err = c.ListModels(t.Context(), &registrypb.ListModelsRequest{Parent: c.name(), Filter: `kind = `})
	wantRefused(t, err, codes.InvalidArgument, "FILTER_INVALID", "filter")
	_, err = c.ListFittings(t.Context(), &registrypb.ListFittingsRequest{Parent: c.unitName("-"), Filter: `host = "x"`})
	wantRefused(t, err, codes.InvalidArgument, "FILTER_INVALID", "filter")
	_, err = c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), Filter: strings.Repeat("x", 501)})
	wantRefused(t, err, codes.InvalidArgument, "INVALID_FIELD", "filter")
}

// condition is a filter as the test understands it: its text, and which units it shows.
type condition struct {
	text  string
	op    string
	shows func(*registrypb.Unit) bool
}

// inside puts parentheses round a condition where it needs them to stand in one of op: OR binds tighter than AND (AIP-160).
func (x condition) inside(op string) string {
	if x.op == "" || op == "AND" && x.op == "OR" {
		return x.text
	}
	return "(" + x.text + ")"
}

// A random filter shows the units that the same condition, evaluated in memory, is true of.
func TestFiltersShowWhatTheySay(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	models, shops := map[string]string{"set": "", "first": "", "vest": "M"}, []string{"harbour", "lagoon"}
	var all []*registrypb.Unit
	n := 0
	for model := range models {
		for _, shop := range shops {
			for _, size := range []string{"", "M", "L"} {
				u := c.plainUnit(fmt.Sprintf("U-%02d", n), model, shop)
				u.Size, u.SerialNumber = size, fmt.Sprint(n%3)
				resp, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: u})
				if err != nil {
					t.Fatal(err)
				}
				if n++; n%5 == 0 {
					must(t)(c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: resp.GetUnit().GetName(), Reason: "sold"}))
				}
				all = append(all, c.get(resp.GetUnit().GetName()))
			}
		}
	}
	size := func(u *registrypb.Unit) string { // the unit's own, or else its model's
		if u.GetSize() != "" {
			return u.GetSize()
		}
		return models[u.GetModel()[len(c.model("")):]]
	}
	fields := map[string]struct {
		of     func(*registrypb.Unit) string
		values []string
	}{
		"kind":          {(*registrypb.Unit).GetKind, []string{"regulator-set", "first-stage", "bcd", "none"}},
		"shop":          {(*registrypb.Unit).GetShop, []string{c.shop("harbour"), c.shop("lagoon"), c.shop("none")}},
		"model":         {(*registrypb.Unit).GetModel, []string{c.model("set"), c.model("vest")}},
		"size":          {size, []string{"", "M", "L"}},
		"serial_number": {(*registrypb.Unit).GetSerialNumber, []string{"0", "1", "7"}},
		"asset_tag":     {(*registrypb.Unit).GetAssetTag, []string{"U-00", "U-07", "X"}},
		"state":         {func(u *registrypb.Unit) string { return u.GetState().String() }, []string{"STATE_ACTIVE", "STATE_RETIRED"}},
	}
	names := []string{"kind", "shop", "model", "size", "serial_number", "asset_tag", "state"}
	var draw func(rt *rapid.T, depth int) condition
	draw = func(rt *rapid.T, depth int) condition {
		what := "compare"
		if depth < 3 {
			what = rapid.SampledFrom([]string{"compare", "AND", "OR", "NOT"}).Draw(rt, "what")
		}
		switch what {
		case "AND", "OR":
			a, b := draw(rt, depth+1), draw(rt, depth+1)
			return condition{a.inside(what) + " " + what + " " + b.inside(what), what, func(u *registrypb.Unit) bool {
				if what == "AND" {
					return a.shows(u) && b.shows(u)
				}
				return a.shows(u) || b.shows(u)
			}}
		case "NOT":
			a := draw(rt, depth+1)
			return condition{"NOT (" + a.text + ")", "", func(u *registrypb.Unit) bool { return !a.shows(u) }}
		}
		name := rapid.SampledFrom(names).Draw(rt, "field")
		f := fields[name]
		value, not := rapid.SampledFrom(f.values).Draw(rt, "value"), rapid.Bool().Draw(rt, "not")
		op := "="
		if not {
			op = "!="
		}
		return condition{name + " " + op + ` "` + value + `"`, "", func(u *registrypb.Unit) bool { return (f.of(u) == value) != not }}
	}
	rapid.Check(t, func(rt *rapid.T) {
		x := draw(rt, 0)
		if len(x.text) > 500 {
			rt.Skip()
		}
		resp, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageSize: 100, Filter: x.text})
		if err != nil {
			rt.Fatalf("%s: %v", x.text, err)
		}
		var got, want []string
		for _, u := range resp.GetUnits() {
			got = append(got, u.GetAssetTag())
		}
		for _, u := range all {
			if x.shows(u) {
				want = append(want, u.GetAssetTag())
			}
		}
		slices.Sort(want)
		if !slices.Equal(got, want) {
			rt.Errorf("%s: got %v, want %v", x.text, got, want)
		}
	})
}
