package main

import (
	"context"
	"fmt"
	"sort"
	"strings"

	"github.com/spf13/cobra"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newUnitCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "unit", Short: "units: what one may be used for, lists, new ones", Args: noSuchCommand, RunE: needsCommand}
	cmd.AddCommand(newUnitShowCmd(a), newUnitListCmd(a), newUnitCreateCmd(a))
	return cmd
}

// needsCommand answers a command that only groups others.
func needsCommand(cmd *cobra.Command, _ []string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() {
			names = append(names, c.Name())
		}
	}
	return usagef("%s needs one of: %s", cmd.CommandPath(), strings.Join(names, ", "))
}

func newUnitShowCmd(a *app) *cobra.Command {
	var m moments
	cmd := &cobra.Command{
		Use:   "show TAG",
		Short: "what a unit may be used for, why not, what is due and from what it is counted",
		Long: `Prints the unit's standing: may it be handed out, may it be filled, and for every no the reason and what would clear it;
then the rules that run on it with what is left of each, its open holds, and what is fitted to it.

With --as-known only what was recorded by then counts: what could be known on that day, not what is known now.`,
		Example: `  strandline unit show GB-REG-014
  strandline unit show GB-CYL-003 --as-of 2026-03-31 --output json
  strandline unit show GB-REG-014 --as-of 2026-02-01 --as-known 2026-02-01`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			u, err := c.unit(ctx, args[0])
			if err != nil {
				return err
			}
			req := &compliancepb.GetStandingRequest{Unit: u.GetName()}
			if req.Instant, req.KnownTime, err = m.read(ctx, c, u.GetShop()); err != nil {
				return err
			}
			if req.AtLeast, err = c.atLeast(ctx); err != nil {
				return err
			}
			r, err := c.Compliance.GetStanding(ctx, req)
			if err != nil {
				return err
			}
			if a.json() {
				return a.printJSON(r.GetStanding())
			}
			s := r.GetStanding()
			zone, _ := c.zone(ctx, s.GetShop())
			names := append([]string{s.GetHost(), s.GetUnit()}, s.GetParts()...)
			for _, rs := range s.GetReasons() {
				names = append(names, rs.GetUnit())
			}
			standingView{a: a, s: s, zone: zone, tags: c.tags(ctx, names), title: unitTitle(u, s), entries: c.entryNumbers(ctx, s)}.print()
			return nil
		},
	}
	m.flags(cmd, "", "")
	return cmd
}

// unitTitle is the first line about a unit.
func unitTitle(u *registrypb.Unit, s *compliancepb.Standing) string {
	parts := []string{s.GetKind()}
	if s.GetSize() != "" {
		parts = append(parts, s.GetSize())
	}
	parts = append(parts, lastID(u.GetModel()))
	if u.GetSerialNumber() != "" {
		parts = append(parts, "serial "+u.GetSerialNumber())
	}
	parts = append(parts, "at "+lastID(s.GetShop()))
	if u.GetState() == registrypb.Unit_STATE_RETIRED {
		parts = append(parts, "retired: "+u.GetRetireReason())
	}
	return u.GetAssetTag() + "  " + strings.Join(parts, ", ")
}

func newUnitListCmd(a *app) *cobra.Command {
	var shop, kind, filter string
	var retired bool
	var limit int
	cmd := &cobra.Command{
		Use:   "list",
		Short: "units by tag",
		Example: `  strandline unit list --shop lagoon --kind cylinder
  strandline unit list --filter 'kind = "bcd" AND size = "M"' --output json`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			var terms []string
			if filter != "" {
				terms = append(terms, "("+filter+")")
			}
			for _, t := range [][2]string{{"shop", c.shop(shop)}, {"kind", kind}} {
				if t[1] != "" {
					terms = append(terms, fmt.Sprintf("%s = %q", t[0], t[1]))
				}
			}
			if !retired {
				terms = append(terms, `state = "ACTIVE"`)
			}
			units, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*registrypb.Unit, string, error) {
				r, err := c.Registry.ListUnits(ctx, &registrypb.ListUnitsRequest{Parent: c.Org.Name(), PageSize: size, PageToken: token, Filter: strings.Join(terms, " AND ")})
				return r.GetUnits(), r.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, units)
			}
			if len(units) == 0 {
				a.talkf("No such units.")
				return nil
			}
			t := newTable("tag", "kind", "size", "model", "serial", "shop", "made", "in fleet since", "state")
			for _, u := range units {
				state := ""
				if u.GetState() == registrypb.Unit_STATE_RETIRED {
					state = "retired"
				}
				t.row(u.GetAssetTag(), u.GetKind(), u.GetSize(), lastID(u.GetModel()), u.GetSerialNumber(), lastID(u.GetShop()), showDate(u.GetManufactureDate()), showDate(u.GetCommissionDate()), state)
			}
			t.write(a.out, "", a.columns)
			return nil
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only units at this `shop`")
	cmd.Flags().StringVar(&kind, "kind", "", "only this `kind`")
	cmd.Flags().StringVar(&filter, "filter", "", "a filter `expression`: asset_tag, serial_number, kind, model, shop, size, state; =, !=, AND, OR, NOT")
	cmd.Flags().BoolVar(&retired, "retired", false, "also units that left the fleet")
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

func newUnitCreateCmd(a *app) *cobra.Command {
	var model, shop, serial, made, since, size string
	var attributes []string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "create TAG",
		Short:       "register one unit ('strandline import' brings in a whole fleet)",
		Example:     `  strandline unit create GB-CYL-090 --model al80 --shop lagoon --serial K40117 --made 2024-03 --since 2026-05-01`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			unit := &registrypb.Unit{AssetTag: args[0], SerialNumber: serial, Size: size}
			var err error
			if unit.ManufactureDate, err = parseMark("made", made); err != nil {
				return err
			}
			if unit.CommissionDate, err = parseMark("since", since); err != nil {
				return err
			}
			if unit.Attributes, err = parseAttributes(attributes); err != nil {
				return err
			}
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			unit.Model, unit.Shop = c.model(model), c.shop(shop)
			r, err := c.Registry.CreateUnit(ctx, &registrypb.CreateUnitRequest{Parent: c.Org.Name(), Unit: unit, RequestId: newID(), ValidateOnly: dryRun})
			if err != nil {
				return err
			}
			return a.told(c, r.GetPosition(), dryRun, r.GetUnit(), "%s is registered at %s.", r.GetUnit().GetAssetTag(), lastID(r.GetUnit().GetShop()))
		},
	}
	cmd.Flags().StringVar(&model, "model", "", "`id` of its model")
	cmd.Flags().StringVar(&shop, "shop", "", "`id` of the shop it is at")
	cmd.Flags().StringVar(&serial, "serial", "", "the maker's serial `number`")
	cmd.Flags().StringVar(&made, "made", "", "`date` or month of manufacture as marked")
	cmd.Flags().StringVar(&since, "since", "", "`day` it entered the fleet; no entry may lie before it")
	cmd.Flags().StringVar(&size, "size", "", "`size`, where it differs from the model's")
	cmd.Flags().StringArrayVar(&attributes, "attribute", nil, "`key=value`, where it differs from the model's; may be repeated")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "model", "shop", "since")
	return cmd
}

// parseAttributes reads key=value pairs.
func parseAttributes(pairs []string) (map[string]string, error) {
	if len(pairs) == 0 {
		return nil, nil
	}
	out := map[string]string{}
	for _, p := range pairs {
		k, v, ok := strings.Cut(p, "=")
		if !ok || k == "" {
			return nil, usagef("--attribute %q: want key=value", p)
		}
		out[k] = v
	}
	return out, nil
}

// showAttributes prints attributes in the order of their keys.
func showAttributes(m map[string]string) string {
	var parts []string
	for k, v := range m {
		parts = append(parts, k+"="+v)
	}
	sort.Strings(parts)
	return strings.Join(parts, " ")
}
