package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/yamlproto"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance/packs"
)

// recallCaution stands beside what lets a recalled unit go.
const recallCaution = "Caution: a recall is about gear that people breathe from. The notice, the maker's manual and local code win."

func newRecallsCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "recalls",
		Short: "recalls and safety notices: hold what they cover until it is remedied",
		Long: `A recall holds every unit that it covers, in all shops and whenever the unit came into the fleet, until its remedy is recorded, a manager
releases the unit, or the recall is withdrawn. What it covers is stated as in a rule: kinds, makers, attributes, and a predicate
over model, serial number and date of manufacture; or by lots of parts, which finds the units that parts of them were put into.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newRecallsPreviewCmd(a), newRecallsOpenCmd(a), newRecallsListCmd(a), newRecallsShowCmd(a), newRecallsReleaseCmd(a), newRecallsCloseCmd(a), newRecallsWithdrawCmd(a))
	return cmd
}

// readRecall reads a file of a recall, and prints what is wrong with it.
func (a *app) readRecall(path string) (*compliancepb.Recall, error) {
	label, raw, err := a.readFile(path, yamlproto.MaxFile)
	if err != nil {
		return nil, err
	}
	r, problems := packs.ReadRecall(raw)
	for _, p := range problems {
		a.printf("%s\n", p.At(label))
	}
	if len(problems) > 0 {
		return nil, errs.New(errs.Invalid, "RECALL_INVALID", fmt.Sprintf("%s in %s", plural(int64(len(problems)), "problem"), label))
	}
	return r, nil
}

func newRecallsPreviewCmd(a *app) *cobra.Command {
	var limit int
	cmd := &cobra.Command{
		Use:   "preview FILE",
		Short: "which units a recall would hold; writes nothing",
		Long: `FILE ('-' for standard input) is YAML or JSON: title, notice, source, scope, lots (of parts, as orgs/ORG/lots/LOT), blocks, remediedBy (activities
that are the remedy) and releasable (whether a manager may let single units go).`,
		Example: `  strandline recalls preview swollen-seats.yaml`,
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			recall, err := a.readRecall(args[0])
			if err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				var count int64
				units, err := pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.RecalledUnit, string, error) {
					r, err := c.Recalls.PreviewRecall(ctx, &compliancepb.PreviewRecallRequest{Parent: c.Org.Name(), Recall: recall, PageSize: size, PageToken: token})
					count = r.GetUnitCount()
					return r.GetUnits(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, units)
				}
				a.paragraph(a.out, "", fmt.Sprintf("%s: %s would be held from %s.", recall.GetTitle(), plural(count, "unit"), usesWord(recall.GetBlocks())))
				a.table(recalledTable(units), "")
				return nil
			})
		},
	}
	cmd.Flags().IntVar(&limit, "limit", 0, "at most this `many`; 0 for all")
	return cmd
}

func newRecallsOpenCmd(a *app) *cobra.Command {
	var id string
	var dryRun bool
	cmd := &cobra.Command{
		Use:   "open FILE",
		Short: "hold what a recall covers, from now on",
		Long: `FILE is as 'strandline recalls preview' takes it. From the moment the command answers, what it covers is held. What a recall says cannot be
changed; open another one, and withdraw this one.`,
		Example:     `  strandline recalls open swollen-seats.yaml --id swollen-seats`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			recall, err := a.readRecall(args[0])
			if err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Recalls.OpenRecall(ctx, &compliancepb.OpenRecallRequest{Parent: c.Org.Name(), Recall: recall, RecallId: id, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				if err := a.told(c, r.GetPosition(), dryRun, r.GetRecall(), "Recall %s is open: %s held. See them with: strandline recalls show %[1]s", id, plural(r.GetProgress().GetHeldCount(), "unit")); err != nil {
					return err
				}
				a.printAffected(c.zones(ctx), r.GetAffectedAllocations(), r.GetAffectedUnknown())
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&id, "id", "", "short `id` of the recall: letters, digits and hyphens")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "id")
	return cmd
}

func newRecallsListCmd(a *app) *cobra.Command {
	var all bool
	cmd := &cobra.Command{
		Use:     "list",
		Short:   "recalls and how far they have come, the last opened first",
		Example: "  strandline recalls list\n  strandline recalls list --all",
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				found, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.RecallSummary, string, error) {
					r, err := c.Recalls.ListRecalls(ctx, &compliancepb.ListRecallsRequest{Parent: c.Org.Name(), IncludeEnded: all, PageSize: size, PageToken: token})
					return r.GetRecalls(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, found)
				}
				t := newTable("recall", "opened", "state", ">held", ">remedied", ">released", ">retired", "~title")
				for _, s := range found {
					p := s.GetProgress()
					t.row(lastID(s.GetRecall().GetName()), showInstant(s.GetRecall().GetOpenTime(), nil), recallWord(s.GetRecall().GetState()), fmt.Sprint(p.GetHeldCount()), fmt.Sprint(p.GetRemediedCount()),
						fmt.Sprint(p.GetReleasedCount()), fmt.Sprint(p.GetRetiredCount()), s.GetRecall().GetTitle())
				}
				a.table(t, "No recalls.")
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&all, "all", false, "also recalls that were closed or withdrawn")
	return cmd
}

func newRecallsShowCmd(a *app) *cobra.Command {
	var shop string
	var held bool
	cmd := &cobra.Command{
		Use:     "show ID",
		Short:   "a recall, and where each unit stands that it covers",
		Example: "  strandline recalls show swollen-seats\n  strandline recalls show swollen-seats --held --shop lagoon",
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				at, err := c.atLeast(ctx)
				if err != nil {
					return err
				}
				r, err := c.Recalls.GetRecall(ctx, &compliancepb.GetRecallRequest{Name: c.recall(args[0]), AtLeast: at})
				if err != nil {
					return err
				}
				units, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.RecalledUnit, string, error) {
					r, err := c.Recalls.ListRecalledUnits(ctx, &compliancepb.ListRecalledUnitsRequest{Parent: c.recall(args[0]), Held: held, Shop: c.shop(shop), PageSize: size, PageToken: token, AtLeast: at})
					return r.GetUnits(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, units)
				}
				a.printRecall(r.GetRecall(), r.GetProgress())
				a.table(recalledTable(units), "")
				return nil
			})
		},
	}
	cmd.Flags().BoolVar(&held, "held", false, "only units that are held")
	cmd.Flags().StringVar(&shop, "shop", "", "only units of this `shop`")
	return cmd
}

func (a *app) printRecall(r *compliancepb.Recall, p *compliancepb.RecallProgress) {
	source := r.GetSource()
	a.paragraph(a.out, "", fmt.Sprintf("%s: %s", lastID(r.GetName()), r.GetTitle()))
	a.paragraph(a.out, "  ", strings.TrimRight(strings.Join([]string{source.GetDocument(), source.GetSection(), source.GetEdition()}, " "), " "))
	if r.GetNotice() != "" {
		a.paragraph(a.out, "  ", r.GetNotice())
	}
	a.paragraph(a.out, "  ", fmt.Sprintf("%s since %s, by %s. Blocks %s.", recallWord(r.GetState()), showInstant(r.GetOpenTime(), nil), r.GetOpener(), usesWord(r.GetBlocks())))
	if r.GetEndTime() != nil {
		a.paragraph(a.out, "  ", strings.TrimRight(fmt.Sprintf("Ended %s by %s. %s", showInstant(r.GetEndTime(), nil), r.GetEnder(), r.GetEndReason()), " "))
	}
	if len(r.GetLots()) > 0 {
		lots := make([]string, len(r.GetLots()))
		for i, name := range r.GetLots() {
			lots[i] = lastID(name)
		}
		a.paragraph(a.out, "  ", "Units with parts of "+plural(int64(len(lots)), "lot")+": "+strings.Join(lots, ", ")+".")
	}
	remedy := "There is no remedy yet."
	if len(r.GetRemediedBy()) > 0 {
		remedy = "Remedy: " + strings.Join(r.GetRemediedBy(), " or ") + ", recorded as passed."
	}
	a.paragraph(a.out, "  ", remedy)
	a.paragraph(a.out, "  ", fmt.Sprintf("%d held, %d remedied, %d released, %d retired unremedied.", p.GetHeldCount(), p.GetRemediedCount(), p.GetReleasedCount(), p.GetRetiredCount()))
	a.printf("\n")
}

func newRecallsReleaseCmd(a *app) *cobra.Command {
	var reason string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "release ID TAG",
		Short:       "let one unit off a recall that it is not remedied for",
		Long:        `For a unit that somebody has made sure is not concerned, where the recall says that units may be released. It cannot be taken back; hold the unit by hand instead.`,
		Example:     `  strandline recalls release swollen-seats GB-REG-014 --reason "seat of another lot, seen by two people"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withUnit(cmd.Context(), args[1], func(ctx context.Context, c *clients, u *registrypb.Unit) error {
				r, err := c.Recalls.ReleaseRecalledUnit(ctx, &compliancepb.ReleaseRecalledUnitRequest{Name: c.recall(args[0]), Unit: u.GetName(), Reason: reason, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				a.talkf("%s", recallCaution)
				return a.told(c, r.GetPosition(), dryRun, r.GetUnit(), "%s is released from recall %s.", u.GetAssetTag(), lastID(args[0]))
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why` it is not concerned, in a sentence")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}

func newRecallsCloseCmd(a *app) *cobra.Command {
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "close ID",
		Short:       "close a recall that holds no unit of the fleet any more",
		Long:        `A unit that comes into the fleet afterwards, and that the recall covers, is held all the same: the notice still stands.`,
		Example:     `  strandline recalls close swollen-seats`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Recalls.CloseRecall(ctx, &compliancepb.CloseRecallRequest{Name: c.recall(args[0]), RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				return a.told(c, r.GetPosition(), dryRun, r.GetRecall(), "Recall %s is closed.", lastID(args[0]))
			})
		},
	}
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	return cmd
}

func newRecallsWithdrawCmd(a *app) *cobra.Command {
	var reason string
	var dryRun bool
	cmd := &cobra.Command{
		Use:         "withdraw ID",
		Short:       "free what a recall holds, because whoever issued it took it back",
		Example:     `  strandline recalls withdraw swollen-seats --reason "the maker's notice 12 takes it back"`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				r, err := c.Recalls.WithdrawRecall(ctx, &compliancepb.WithdrawRecallRequest{Name: c.recall(args[0]), Reason: reason, RequestId: newID(), ValidateOnly: dryRun})
				if err != nil {
					return err
				}
				a.talkf("%s", recallCaution)
				return a.told(c, r.GetPosition(), dryRun, r.GetRecall(), "Recall %s is withdrawn: it holds nothing any more.", lastID(args[0]))
			})
		},
	}
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().BoolVar(&dryRun, "dry-run", false, "check everything, write nothing")
	required(cmd, "reason")
	return cmd
}

func recalledTable(units []*compliancepb.RecalledUnit) *table {
	t := newTable("tag", "serial", "kind", "shop", "state", "since", "~why")
	for _, u := range units {
		t.row(u.GetAssetTag(), u.GetSerialNumber(), u.GetKind(), lastID(u.GetShop()), recalledWord(u.GetState()), showInstant(u.GetLiftTime(), nil), u.GetLiftReason())
	}
	return t
}

// recall returns the full name of a recall given by its id or its name.
func (c *clients) recall(id string) string {
	if strings.HasPrefix(id, "orgs/") {
		return id
	}
	return c.Org.Name() + "/recalls/" + id
}

func recallWord(s compliancepb.Recall_State) string {
	switch s {
	case compliancepb.Recall_STATE_OPEN:
		return "open"
	case compliancepb.Recall_STATE_CLOSED:
		return "closed"
	case compliancepb.Recall_STATE_WITHDRAWN:
		return "withdrawn"
	}
	return "not known"
}

func recalledWord(s compliancepb.RecalledUnit_State) string {
	switch s {
	case compliancepb.RecalledUnit_STATE_HELD:
		return "held"
	case compliancepb.RecalledUnit_STATE_REMEDIED:
		return "remedied"
	case compliancepb.RecalledUnit_STATE_RELEASED:
		return "released"
	case compliancepb.RecalledUnit_STATE_WITHDRAWN:
		return "recall withdrawn"
	case compliancepb.RecalledUnit_STATE_RETIRED:
		return "retired"
	case compliancepb.RecalledUnit_STATE_COVERED:
		return "would be held"
	}
	return "not known"
}
