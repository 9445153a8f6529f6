package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/google/uuid"
	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newCertificateCmd(a *app) *cobra.Command {
	var asOf string
	var list bool
	cmd := &cobra.Command{
		Use:   "certificate ORDER|TAG",
		Short: "the record of a signed order: what was done, with what, by whom, and what is due next",
		Long: `The record of a service order that was signed, or of the last one of the unit with the tag. It says what was recorded, with every time that
a test was made: one that failed first stays beside the one that passed later, and what was withdrawn is named as such.

Where the unit stands and what is due next is answered from all that is recorded by now, for now or for --as-of. With --list and a tag it lists
the certificates of a unit.

A certificate does not say that a unit is safe. Local code, the maker's manual and licensed practice come first.`,
		Example: `  strandline certificate GB-REG-014
  strandline certificate 0197a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41 --output json
  strandline certificate GB-REG-014 --list`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				if list {
					return a.listCertificates(ctx, c, args[0])
				}
				name, err := c.certificate(ctx, args[0])
				if err != nil {
					return err
				}
				req := &compliancepb.GetCertificateRequest{Name: name}
				if req.Instant, err = c.instant(ctx, "as-of", asOf, "", dayStart); err != nil {
					return err
				}
				if req.AtLeast, err = c.atLeast(ctx); err != nil {
					return err
				}
				r, err := c.Certificates.GetCertificate(ctx, req)
				if err != nil {
					return err
				}
				if a.json() {
					return a.printJSON(r.GetCertificate())
				}
				cert := r.GetCertificate()
				zone, _ := c.zone(ctx, cert.GetShop().GetShop())
				tags := []string{cert.GetUnit().GetUnit()}
				for _, h := range cert.GetStanding().GetHolds() {
					tags = append(tags, unitOf(h.GetName()))
				}
				certificateView{a: a, c: cert, zone: zone, tags: c.tags(ctx, tags)}.print()
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&asOf, "as-of", "", "the `instant` for which it says what is due and held, not before the signature (default now)")
	cmd.Flags().BoolVar(&list, "list", false, "list the certificates of the unit with the tag")
	return cmd
}

// certificate returns the full name of the certificate that a person means: of an order by UUID or full name, or the last of the unit with a tag.
func (c *clients) certificate(ctx context.Context, what string) (string, error) {
	name := strings.TrimSuffix(what, "/certificate")
	if id, err := uuid.Parse(name); err == nil && len(name) == 36 {
		name = c.Org.Name() + "/orders/" + id.String()
	}
	if strings.HasPrefix(name, "orgs/") && strings.Contains(name, "/orders/") {
		return name + "/certificate", nil
	}
	u, err := c.unit(ctx, what)
	if err != nil {
		return "", err
	}
	all, err := c.certificatesOf(ctx, u.GetName())
	if err != nil {
		return "", err
	}
	var last *compliancepb.CertificateSummary
	for _, s := range all {
		if last == nil || s.GetSignTime().AsTime().After(last.GetSignTime().AsTime()) {
			last = s
		}
	}
	if last == nil {
		return "", errs.New(errs.NotFound, "NOT_FOUND", u.GetAssetTag()+" has no order that was signed, so there is no certificate; 'strandline orders list --unit "+u.GetAssetTag()+"' lists its orders")
	}
	return last.GetName(), nil
}

func (c *clients) certificatesOf(ctx context.Context, unit string) ([]*compliancepb.CertificateSummary, error) {
	return pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.CertificateSummary, string, error) {
		r, err := c.Certificates.ListCertificates(ctx, &compliancepb.ListCertificatesRequest{Parent: unit, PageSize: size, PageToken: token})
		return r.GetCertificates(), r.GetNextPageToken(), err
	})
}

func (a *app) listCertificates(ctx context.Context, c *clients, tag string) error {
	u, err := c.unit(ctx, tag)
	if err != nil {
		return err
	}
	all, err := c.certificatesOf(ctx, u.GetName())
	if err != nil {
		return err
	}
	if a.json() {
		return printList(a, all)
	}
	zone, _ := c.zone(ctx, u.GetShop())
	t := newTable("signed", "outcome", "for", "procedure", ">revision", "shop", "signed by", "order")
	for _, s := range all {
		t.row(showInstant(s.GetSignTime(), zone), signatureWord(s.GetOutcome()), s.GetPurpose(), lastID(s.GetProcedure()), fmt.Sprint(s.GetRevision()), lastID(s.GetShop()), lastID(s.GetSigner()),
			lastID(strings.TrimSuffix(s.GetName(), "/certificate")))
	}
	a.table(t, "No certificates.")
	return nil
}
