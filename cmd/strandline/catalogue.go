package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newOrgCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "org", Short: "orgs: the chains that an installation serves", Args: noSuchCommand, RunE: needsCommand}
	var name string
	create := &cobra.Command{
		Use:         "create ID",
		Short:       "create an org",
		Long:        `It needs a token of the operator; with the key file at hand one is made.`,
		Example:     `  strandline org create reefline --name "Reefline Divers"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connectOperator(ctx)
			if err != nil {
				return err
			}
			r, err := c.Registry.CreateOrg(ctx, &registrypb.CreateOrgRequest{OrgId: args[0], Org: &registrypb.Org{DisplayName: name}, RequestId: newID()})
			if err != nil {
				return err
			}
			c.Org, _ = tenant.New(args[0])
			return a.told(c, r.GetPosition(), false, r.GetOrg(), "%s (%s) is created.", r.GetOrg().GetDisplayName(), args[0])
		},
	}
	create.Flags().StringVar(&name, "name", "", "`name` that people call it")
	required(create, "name")
	list := &cobra.Command{
		Use:     "list",
		Short:   "the orgs of the installation",
		Example: `  strandline org list`,
		Args:    words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connectOperator(ctx)
			if err != nil {
				return err
			}
			orgs, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Org, string, error) {
				r, err := c.Registry.ListOrgs(ctx, &registrypb.ListOrgsRequest{PageSize: size, PageToken: token})
				return r.GetOrgs(), r.GetNextPageToken(), err
			})
			if err != nil {
				return err
			}
			if a.json() {
				return printList(a, orgs)
			}
			t := newTable("id", "name", "since")
			for _, o := range orgs {
				t.row(lastID(o.GetName()), o.GetDisplayName(), showInstant(o.GetCreateTime(), nil))
			}
			a.table(t, "There is no org yet: create one with 'strandline org create ID --name NAME'.")
			return nil
		},
	}
	cmd.AddCommand(create, list)
	return cmd
}

// table prints a table, or says on standard error that it would be empty.
func (a *app) table(t *table, empty string) {
	if len(t.rows) == 0 {
		a.talkf("%s", empty)
		return
	}
	t.write(a.out, "", a.columns)
}

// withClients runs fn with clients.
func (a *app) withClients(ctx context.Context, fn func(ctx context.Context, c *clients) error) error {
	ctx, cancel := a.withTimeout(ctx)
	defer cancel()
	c, err := a.connect(ctx)
	if err != nil {
		return err
	}
	return fn(ctx, c)
}

func newShopCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "shop", Short: "shops: the places of an org", Args: noSuchCommand, RunE: needsCommand}
	var name, zone, jurisdiction string
	var dryRun bool
	create := &cobra.Command{
		Use:         "create ID",
		Short:       "create a shop",
		Example:     `  strandline shop create lagoon --name "Lagoon Shop" --zone Europe/Lisbon --jurisdiction PT`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Registry.CreateShop(ctx, &registrypb.CreateShopRequest{Parent: c.Org.Name(), ShopId: args[0], RequestId: newID(), ValidateOnly: dryRun, Shop: &registrypb.Shop{DisplayName: name, TimeZone: zone, Jurisdiction: jurisdiction}})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetShop(), "%s (%s) is created.", r.GetShop().GetDisplayName(), args[0])
			})
		},
	}
	create.Flags().StringVar(&name, "name", "", "`name` that people call it")
	create.Flags().StringVar(&zone, "zone", "", "IANA time `zone`, for example Europe/Lisbon; due dates are days in it")
	create.Flags().StringVar(&jurisdiction, "jurisdiction", "", "whose rules apply: ISO 3166 `code`, for example US, US-CA, AU")
	create.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(create, "name", "zone", "jurisdiction")
	list := &cobra.Command{
		Use:   "list",
		Short: "the shops of the org",
		Args:  words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				shops, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Shop, string, error) {
					r, err := c.Registry.ListShops(ctx, &registrypb.ListShopsRequest{Parent: c.Org.Name(), PageSize: size, PageToken: token})
					return r.GetShops(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, shops)
				}
				t := newTable("id", "name", "zone", "jurisdiction")
				for _, s := range shops {
					t.row(lastID(s.GetName()), s.GetDisplayName(), s.GetTimeZone(), s.GetJurisdiction())
				}
				a.table(t, "No shops yet.")
				return nil
			})
		},
	}
	cmd.AddCommand(create, list)
	return cmd
}

func newModelCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "model", Short: "models: what units of one make have in common", Args: noSuchCommand, RunE: needsCommand}
	var name, kind, maker, size string
	var attributes []string
	var dryRun bool
	create := &cobra.Command{
		Use:         "create ID",
		Short:       "create a model",
		Example:     `  strandline model create al80 --name "11.1 L aluminium" --kind cylinder --size "11.1 L" --attribute specification=3AL --attribute alloy=6061-T6`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			attrs, err := parseAttributes(attributes)
			if err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Registry.CreateModel(ctx, &registrypb.CreateModelRequest{Parent: c.Org.Name(), ModelId: args[0], RequestId: newID(), ValidateOnly: dryRun,
					Model: &registrypb.Model{DisplayName: name, Kind: kind, Maker: maker, Size: size, Attributes: attrs}})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetModel(), "%s (%s) is created.", r.GetModel().GetDisplayName(), args[0])
			})
		},
	}
	create.Flags().StringVar(&name, "name", "", "`name` that people call it")
	create.Flags().StringVar(&kind, "kind", "", "`kind` of equipment: first-stage, second-stage, regulator-set, bcd, cylinder, cylinder-valve ...")
	create.Flags().StringVar(&maker, "maker", "", "`maker`, as printed on the unit")
	create.Flags().StringVar(&size, "size", "", "`size`, for example M or \"12 L\"")
	create.Flags().StringArrayVar(&attributes, "attribute", nil, "`key=value` that rules look at; may be repeated")
	create.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(create, "name", "kind")
	var onlyKind string
	list := &cobra.Command{
		Use:   "list",
		Short: "the models of the org",
		Args:  words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			filter := ""
			if onlyKind != "" {
				filter = fmt.Sprintf("kind = %q", onlyKind)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				models, err := pages(ctx, 0, func(ctx context.Context, n int32, token string) ([]*registrypb.Model, string, error) {
					r, err := c.Registry.ListModels(ctx, &registrypb.ListModelsRequest{Parent: c.Org.Name(), PageSize: n, PageToken: token, Filter: filter})
					return r.GetModels(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, models)
				}
				t := newTable("id", "name", "kind", "maker", "size", "~attributes")
				for _, m := range models {
					t.row(lastID(m.GetName()), m.GetDisplayName(), m.GetKind(), m.GetMaker(), m.GetSize(), showAttributes(m.GetAttributes()))
				}
				a.table(t, "No models.")
				return nil
			})
		},
	}
	list.Flags().StringVar(&onlyKind, "kind", "", "only this `kind`")
	cmd.AddCommand(create, list)
	return cmd
}

func newTechnicianCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{Use: "technician", Short: "technicians: who works on units, and what they may do until when", Args: noSuchCommand, RunE: needsCommand}
	var name string
	var qualifications []string
	var dryRun bool
	create := &cobra.Command{
		Use:         "create ID",
		Short:       "create a technician",
		Example:     `  strandline technician create r-amaro --name "R. Amaro" --qualification overhaul,first-stage,2025-03-01,2028-02-29,"maker's course"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			t := &registrypb.Technician{DisplayName: name}
			for _, q := range qualifications {
				p, err := parseQualification(q)
				if err != nil {
					return err
				}
				t.Qualifications = append(t.Qualifications, p)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Registry.CreateTechnician(ctx, &registrypb.CreateTechnicianRequest{Parent: c.Org.Name(), TechnicianId: args[0], RequestId: newID(), ValidateOnly: dryRun, Technician: t})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetTechnician(), "%s (%s) is registered.", r.GetTechnician().GetDisplayName(), args[0])
			})
		},
	}
	create.Flags().StringVar(&name, "name", "", "`name` as it stands in service records")
	create.Flags().StringArrayVar(&qualifications, "qualification", nil, "`activity[,kind[,from[,through[,issuer]]]]`; may be repeated")
	create.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(create, "name")
	list := &cobra.Command{
		Use:   "list",
		Short: "the technicians of the org",
		Args:  words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := pages(ctx, 0, func(ctx context.Context, n int32, token string) ([]*registrypb.Technician, string, error) {
					r, err := c.Registry.ListTechnicians(ctx, &registrypb.ListTechniciansRequest{Parent: c.Org.Name(), PageSize: n, PageToken: token})
					return r.GetTechnicians(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, all)
				}
				t := newTable("id", "name", "may do", "kind", "from", "through", "issuer")
				for _, p := range all {
					id, name := lastID(p.GetName()), p.GetDisplayName()
					if len(p.GetQualifications()) == 0 {
						t.row(id, name)
					}
					for _, q := range p.GetQualifications() {
						t.row(id, name, q.GetActivity(), q.GetKind(), showDate(q.GetValidFromDate()), showDate(q.GetValidThroughDate()), q.GetIssuer())
						id, name = "", ""
					}
				}
				a.table(t, "No technicians.")
				return nil
			})
		},
	}
	cmd.AddCommand(create, list)
	return cmd
}

func parseQualification(text string) (*registrypb.Technician_Qualification, error) {
	parts := strings.SplitN(text, ",", 5)
	parts = append(parts, make([]string, 5-len(parts))...)
	q := &registrypb.Technician_Qualification{Activity: parts[0], Kind: parts[1], Issuer: parts[4]}
	var err error
	if q.ValidFromDate, err = parseMark("qualification", parts[2]); err == nil {
		q.ValidThroughDate, err = parseMark("qualification", parts[3])
	}
	return q, err
}
