package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

func newLogCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "log",
		Short: "record a usage, service, test or condition of a unit, or correct an entry",
		Long: `An entry is never changed or deleted: a mistake is corrected with 'log amend', and both stay visible. A fail, an
inconclusive outcome or a condition that pulls takes effect at once, on the unit and on the set it is fitted to.`,
		Example: `  strandline log usage GB-REG-014 --dives 3 --at "2026-06-05 17:00"
  strandline log service GB-REG-014 --activity overhaul --outcome pass --technician r-amaro
  strandline log test GB-CYL-003 --activity hydrostatic-test --outcome pass --marked 2026-06
  strandline log condition GB-REG-014 --condition free-flow
  strandline log amend GB-REG-014 4711 --dives 3 --reason "typed 30 for 3"`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newLogUsageCmd(a), newLogServiceCmd(a), newLogTestCmd(a), newLogConditionCmd(a), newLogAmendCmd(a))
	return cmd
}

// entryFlags are the flags that every kind of entry has.
type entryFlags struct {
	at, shop, technician, note, id string
	dryRun                         bool

	numbers map[string]int64 // in the ledger, of the entry that an amendment corrects
}

func (f *entryFlags) add(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.at, "at", "", "the `instant` it happened (default now)")
	cmd.Flags().StringVar(&f.shop, "shop", "", "the `shop` where it happened (default where the unit is)")
	cmd.Flags().StringVar(&f.technician, "technician", "", "`id` of who did the work")
	cmd.Flags().StringVar(&f.note, "note", "", "free `text`")
	cmd.Flags().StringVar(&f.id, "id", "", "`UUID` of the entry, so that a repeat is the same entry (default a new one)")
	cmd.Flags().BoolVar(&f.dryRun, "dry-run", false, "check everything, write nothing")
	cmd.Annotations = map[string]string{writes: "yes"}
}

// log appends one entry about the unit and tells where that leaves the unit. fill sets the entry's detail.
func (a *app) log(ctx context.Context, tag string, f entryFlags, fill func(ctx context.Context, c *clients, u *registrypb.Unit, e *historypb.Entry) error) error {
	ctx, cancel := a.withTimeout(ctx)
	defer cancel()
	c, err := a.connect(ctx)
	if err != nil {
		return err
	}
	u, err := c.unit(ctx, tag)
	if err != nil {
		return err
	}
	id := f.id
	if id == "" {
		id = newID()
	}
	e := &historypb.Entry{Name: u.GetName() + "/entries/" + strings.ToLower(id), Shop: c.shop(f.shop), Technician: c.technician(f.technician), Note: f.note}
	if err := fill(ctx, c, u, e); err != nil {
		return err
	}
	zone := e.GetShop()
	if zone == "" {
		zone = u.GetShop()
	}
	if e.OccurredTime, err = c.instant(ctx, "at", f.at, zone, dayStart); err != nil {
		return err
	}
	if e.OccurredTime == nil {
		e.OccurredTime = timestamp(a.clk.Now())
	}
	r, err := c.History.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: c.Org.Name(), Entries: []*historypb.Entry{e}, RequestId: newID(), ValidateOnly: f.dryRun})
	if err != nil {
		return err
	}
	if f.dryRun {
		return a.told(c, nil, true, r, "%s: %s", u.GetAssetTag(), entryLine(e, f.numbers))
	}
	c.wrote(r.GetPosition())
	if a.json() {
		return a.printJSON(r)
	}
	a.printf("Entry %d of the ledger: %s, %s\n", r.GetReceipts()[0].GetSequence(), u.GetAssetTag(), entryLine(e, f.numbers))
	a.tellStanding(ctx, c, u, r.GetPosition())
	return nil
}

// entryLine says what an entry tells of; numbers are the ledger's, of entries that it names.
func entryLine(e *historypb.Entry, numbers map[string]int64) string {
	kind, what := entryWords(e, numbers)
	return kind + " " + what
}

func newLogUsageCmd(a *app) *cobra.Command {
	var f entryFlags
	var d detailFlags
	cmd := &cobra.Command{
		Use:   "usage TAG",
		Short: "dives, running time or fills: so much more, or what the unit's meter shows",
		Example: `  strandline log usage GB-REG-014 --dives 3 --reference R-20260605-7
  strandline log usage GB-COMP-001 --meter-running-time 1250h
  strandline log usage GB-CMP-007 --meter-dives 412 --replaced-by-meter-at 0   (the meter was replaced at 412)
  strandline log usage GB-CMP-007 --meter-dives 12 --rollover 1000             (three digits: it went past 999)
  strandline log usage GB-COMP-001 --running-time 4h --celsius 31
  strandline log usage GB-REG-014 --dives 6 --estimated --note "log lost"`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			usage, err := d.usage(nil)
			if err != nil {
				return err
			}
			return a.log(cmd.Context(), args[0], f, func(_ context.Context, _ *clients, _ *registrypb.Unit, e *historypb.Entry) error {
				e.Detail = &historypb.Entry_Usage{Usage: usage}
				return nil
			})
		},
	}
	d.cmd = cmd
	d.addUsage()
	f.add(cmd)
	return cmd
}

func newLogServiceCmd(a *app) *cobra.Command {
	var f entryFlags
	var d detailFlags
	cmd := &cobra.Command{
		Use:     "service TAG",
		Short:   "work done on a unit, and how it ended",
		Example: `  strandline log service GB-REG-014 --activity overhaul,inspection --outcome pass --technician r-amaro`,
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			s, err := d.service(nil)
			if err != nil {
				return err
			}
			return a.log(cmd.Context(), args[0], f, func(_ context.Context, _ *clients, _ *registrypb.Unit, e *historypb.Entry) error {
				e.Detail = &historypb.Entry_Service{Service: s}
				return nil
			})
		},
	}
	d.cmd = cmd
	d.addWork("`activities` done, with commas between them")
	required(cmd, "activity", "outcome")
	f.add(cmd)
	return cmd
}

func newLogTestCmd(a *app) *cobra.Command {
	var f entryFlags
	var d detailFlags
	cmd := &cobra.Command{
		Use:     "test TAG",
		Short:   "a test of one kind, and how it ended",
		Example: `  strandline log test GB-CYL-003 --activity hydrostatic-test --outcome pass --marked 2026-06 --provider "approved station"`,
		Args:    words,
		RunE: func(cmd *cobra.Command, args []string) error {
			t, err := d.test(nil)
			if err != nil {
				return err
			}
			return a.log(cmd.Context(), args[0], f, func(_ context.Context, _ *clients, _ *registrypb.Unit, e *historypb.Entry) error {
				e.Detail = &historypb.Entry_Test{Test: t}
				return nil
			})
		},
	}
	d.cmd = cmd
	d.addWork("the `activity` tested")
	required(cmd, "activity", "outcome")
	f.add(cmd)
	return cmd
}

func newLogConditionCmd(a *app) *cobra.Command {
	var f entryFlags
	var d detailFlags
	cmd := &cobra.Command{
		Use:   "condition TAG",
		Short: "something that happened to a unit: it is pulled until inspected, unless only noted",
		Example: `  strandline log condition GB-REG-014 --condition free-flow
  strandline log condition GB-BCD-021 --condition faded --severity note`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			// What happened to a unit pulls it unless somebody says that it does not: fail closed.
			n, err := d.conditionOf(&historypb.Condition{Severity: historypb.Condition_SEVERITY_PULL})
			if err != nil {
				return err
			}
			return a.log(cmd.Context(), args[0], f, func(_ context.Context, _ *clients, _ *registrypb.Unit, e *historypb.Entry) error {
				e.Detail = &historypb.Entry_Condition{Condition: n}
				return nil
			})
		},
	}
	d.cmd = cmd
	d.addCondition("pull")
	required(cmd, "condition")
	f.add(cmd)
	return cmd
}

func newLogAmendCmd(a *app) *cobra.Command {
	var f entryFlags
	var d detailFlags
	var reason, happened string
	var never bool
	cmd := &cobra.Command{
		Use:   "amend TAG ENTRY",
		Short: "correct an entry: what is right instead, or that it never happened",
		Long: `ENTRY is its number in the ledger, as 'strandline history TAG' lists it, or its UUID. What you do not correct stays as the
entry has it. To correct it once more, amend the same entry again: the amendment that occurred last holds.`,
		Example: `  strandline log amend GB-REG-014 4711 --dives 3 --reason "typed 30 for 3"
  strandline log amend GB-REG-014 4711 --happened "2026-06-04 16:00" --reason "was the day before"
  strandline log amend GB-REG-014 4711 --never-happened --reason "other unit"`,
		Args: words,
		RunE: func(cmd *cobra.Command, args []string) error {
			changed := d.changed() || happened != ""
			if never == changed {
				return usagef("say what is right instead (--dives, --outcome, --happened ...) or --never-happened, one of the two")
			}
			f.numbers = map[string]int64{}
			return a.log(cmd.Context(), args[0], f, func(ctx context.Context, c *clients, u *registrypb.Unit, e *historypb.Entry) error {
				old, err := c.entry(ctx, u, args[1])
				if err != nil {
					return err
				}
				f.numbers[old.GetName()] = old.GetSequence()
				am := &historypb.Amendment{CorrectedEntry: old.GetName(), Reason: reason}
				if !never {
					if am.Replacement, err = d.replacement(old); err != nil {
						return err
					}
					zone := old.GetShop()
					if zone == "" {
						zone = u.GetShop()
					}
					t, err := c.instant(ctx, "happened", happened, zone, dayStart)
					if err != nil {
						return err
					}
					if t != nil {
						am.Replacement.OccurredTime = t
					}
				}
				e.Detail = &historypb.Entry_Amendment{Amendment: am}
				return nil
			})
		},
	}
	d.cmd = cmd
	cmd.Flags().StringVar(&reason, "reason", "", "`why`, in a sentence")
	cmd.Flags().BoolVar(&never, "never-happened", false, "the entry is wrong altogether")
	cmd.Flags().StringVar(&happened, "happened", "", "the right `instant`")
	d.addUsage()
	d.addWork("the right `activities`")
	d.addCondition("")
	required(cmd, "reason")
	f.add(cmd)
	cmd.Flags().Lookup("at").Usage = "the `instant` of the correction (default now)"
	return cmd
}

// replacement returns the entry's content with the flags' corrections in it.
func (d *detailFlags) replacement(old *historypb.Entry) (*historypb.Replacement, error) {
	r := &historypb.Replacement{OccurredTime: old.GetOccurredTime()}
	var err error
	var kind string
	switch detail := old.GetDetail().(type) {
	case *historypb.Entry_Usage:
		kind = "usage"
		var u *historypb.Usage
		u, err = d.usage(proto.Clone(detail.Usage).(*historypb.Usage))
		r.Detail = &historypb.Replacement_Usage{Usage: u}
	case *historypb.Entry_Service:
		kind = "service"
		var s *historypb.Service
		s, err = d.service(proto.Clone(detail.Service).(*historypb.Service))
		r.Detail = &historypb.Replacement_Service{Service: s}
	case *historypb.Entry_Test:
		kind = "test"
		var t *historypb.Test
		t, err = d.test(proto.Clone(detail.Test).(*historypb.Test))
		r.Detail = &historypb.Replacement_Test{Test: t}
	case *historypb.Entry_Condition:
		kind = "condition"
		var n *historypb.Condition
		n, err = d.conditionOf(proto.Clone(detail.Condition).(*historypb.Condition))
		r.Detail = &historypb.Replacement_Condition{Condition: n}
	default:
		return nil, usagef("entry %d is an amendment; amend the entry it corrects, once more", old.GetSequence())
	}
	if err != nil {
		return nil, err
	}
	for _, group := range [][2]string{{"usage", usageFlags}, {"service test", workFlags}, {"condition", conditionFlags}} {
		if strings.Contains(group[0], kind) {
			continue
		}
		for _, n := range strings.Fields(group[1]) {
			if d.cmd.Flags().Changed(n) {
				return nil, usagef("--%s does not go with an entry of kind %s", n, kind)
			}
		}
	}
	return r, nil
}

// tellStanding says in a line or two what the unit may be used for now.
func (a *app) tellStanding(ctx context.Context, c *clients, u *registrypb.Unit, at positioned) {
	s, err := c.standing(ctx, u, at)
	if err != nil {
		f := explain(err)
		a.talkf("It is recorded; what it means for the unit cannot be told now: %s.", f.message)
		return
	}
	if s.GetMayHandOut() {
		a.printf("%s may be handed out.\n", u.GetAssetTag())
		return
	}
	a.printf("%s may not be handed out:\n", u.GetAssetTag())
	var names []string
	for _, r := range s.GetReasons() {
		names = append(names, r.GetUnit())
	}
	view := standingView{a: a, s: s, tags: c.tags(ctx, names)}
	for _, r := range s.GetReasons() {
		a.paragraph(a.out, "  ", view.sentence(r))
		if r.GetClears() != "" {
			a.paragraph(a.out, "    ", "clears: "+r.GetClears())
		}
	}
	if len(s.GetReasons()) == 0 {
		a.paragraph(a.out, "  ", fmt.Sprintf("see 'strandline unit show %s'", u.GetAssetTag()))
	}
}
