package main

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

var signatures = map[string]historypb.SignatureOutcome{
	"pass":      historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS,
	"fail":      historypb.SignatureOutcome_SIGNATURE_OUTCOME_FAIL,
	"condemned": historypb.SignatureOutcome_SIGNATURE_OUTCOME_CONDEMNED,
}

func newOrdersSignCmd(a *app) *cobra.Command {
	var by, outcome, at, note, events, id string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "sign ORDER",
		Short: "sign an order, or say what keeps it from being signed",
		Long: `Whoever signs is qualified for the procedure on that day. What keeps an order from being signed is listed, step by step, each with what to
do; nothing is written then, and the exit code is 13. With --dry-run nothing is written either way.

A signature with the outcome pass says that the unit may go back into use, as far as its rules have it; fail, that it may not; condemned,
that it never will, which is final.`,
		Example: `  strandline orders sign GB-BCD-021 --by mara --dry-run
  strandline orders sign GB-BCD-021 --by mara
  strandline orders sign GB-BCD-021 --by mara --events last-steps.yaml
  strandline orders sign GB-CYL-003 --by mara --outcome condemned --note "crack at the neck"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			result, ok := signatures[outcome]
			if !ok {
				return usagef("--outcome %q: want pass, fail or condemned", outcome)
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				f, err := a.orderFile(ctx, c, args[0], by, at)
				if err != nil {
					return err
				}
				req := &historypb.SignOrderRequest{Name: f.order, EventId: strings.ToLower(id), OccurredTime: f.at, Technician: f.by, Outcome: result, Note: note, ValidateOnly: dryRun}
				if id == "" {
					req.EventId = newID()
				}
				if events != "" {
					f.at = nil // a signature's instant is not that of the work before it
					if req.Events, err = a.readEvents(ctx, c, events, f); err != nil {
						return err
					}
				}
				if req.GetOccurredTime() == nil {
					req.OccurredTime = timestamp(a.clk.Now())
				}
				r, err := c.Orders.SignOrder(ctx, req)
				if err != nil {
					return a.notReady(err)
				}
				if !dryRun {
					c.wrote(r.GetPosition())
				}
				if a.json() {
					return a.printJSON(r)
				}
				if dryRun {
					a.talkf("Dry run: it can be signed, nothing was written. Without --dry-run:")
				}
				a.printf("Order %s is signed: %s.\n", lastID(f.order), outcome)
				a.printAbout(r.GetFlags())
				if !dryRun {
					a.tellUnit(ctx, c, r.GetOrder().GetUnit(), r.GetPosition())
				}
				a.talkf("%s", signatureCaution)
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "`id` of the technician who signs")
	cmd.Flags().StringVar(&outcome, "outcome", "pass", "`what` the signature says of the unit: pass, fail or condemned")
	cmd.Flags().StringVar(&at, "at", "", "the `instant` it is signed (default now)")
	cmd.Flags().StringVar(&note, "note", "", "free `text`")
	cmd.Flags().StringVar(&events, "events", "", "a `file` of what was not recorded before, as 'orders record' takes it")
	cmd.Flags().StringVar(&id, "id", "", "`UUID` of the signature, so that a repeat with the same --at is the same signature (default a new one)")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "by")
	return cmd
}

// about is something to know of an order: what it is about, and the sentence.
type about struct {
	Reason string `json:"reason"`
	About  string `json:"about"` // steps/look, parts/seal; order for the order as a whole
	Text   string `json:"text"`
}

// notReady prints what keeps an order from being signed, if the error says that, and returns the error with the exit code for it.
func (a *app) notReady(err error) error {
	var found []about
	omitted := ""
	is := false
	for _, d := range status.Convert(err).Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			is, omitted = d.GetReason() == "ORDER_NOT_READY", d.GetMetadata()["violationsOmitted"]
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				found = append(found, about{v.GetType(), v.GetSubject(), v.GetDescription()})
			}
		}
	}
	if !is {
		return err
	}
	if a.json() {
		if perr := a.printValue(struct {
			Problems []about `json:"problems"`
		}{found}); perr != nil {
			return perr
		}
	} else {
		a.printf("It cannot be signed yet:\n")
		a.printGroups(found)
		if omitted != "" {
			a.printf("  and %s more; 'strandline orders show' lists them all\n", omitted)
		}
	}
	return exitError{exitNotReady, err}
}

// printAbout prints problems of an order, those that keep it from being signed before those that stand in the record.
func (a *app) printAbout(ps []*historypb.OrderProblem) {
	var block, flags []about
	for _, p := range ps {
		n := about{p.GetReason(), subjectOf(p), p.GetDescription()}
		if p.GetFlag() {
			flags = append(flags, n)
		} else {
			block = append(block, n)
		}
	}
	if len(block) > 0 {
		a.printf("What keeps it from being signed\n")
		a.printGroups(block)
	}
	if len(flags) > 0 {
		a.printf("What stands in the record\n")
		a.printGroups(flags)
	}
}

// subjectOf says what a problem is about, as the errors of SignOrder do.
func subjectOf(p *historypb.OrderProblem) string {
	switch {
	case p.GetBound() != "":
		return "steps/" + p.GetStep() + "/bounds/" + p.GetBound()
	case p.GetTest() != "":
		return "tests/" + p.GetTest()
	case p.GetPart() != "":
		return "parts/" + p.GetPart()
	case p.GetStep() != "":
		return "steps/" + p.GetStep()
	}
	return "order"
}

// printGroups prints sentences below what they are about: a step with its bounds, a test, a part, the order.
func (a *app) printGroups(found []about) {
	group := func(n about) string {
		parts := strings.Split(n.About, "/")
		if len(parts) < 2 {
			return "the order"
		}
		return strings.TrimSuffix(parts[0], "s") + " " + parts[1]
	}
	var order []string
	by := map[string][]about{}
	for _, n := range found {
		g := group(n)
		if !slices.Contains(order, g) {
			order = append(order, g)
		}
		by[g] = append(by[g], n)
	}
	for _, g := range order {
		a.printf("  %s\n", g)
		for _, n := range by[g] {
			a.paragraph(a.out, "    ", fmt.Sprintf("%s (%s)", n.Text, n.Reason))
		}
	}
}
