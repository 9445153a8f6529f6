package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// whichHelp says how allocations are named.
const whichHelp = `WHAT is the tag of a unit, the reference that an allocation was made with, the UUID of an allocation, or that of a group.`

func newAllocationsCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "allocations",
		Short: "units promised for a window: allocate, confirm, extend, swap, release",
		Long: `An allocation is one unit promised for a window; then it is out; then it is back. No two of them overlap for a unit. What was allocated together is
a group, and its outfits are numbered. When a unit that is promised is held, recalled or becomes due, another takes its place at once;
where there is none, the allocation is in conflict until somebody sees to it. Nothing is dropped.

'strandline handout' and 'strandline return' do what happens at the counter.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	cmd.AddCommand(newAllocateCmd(a), newAllocationsListCmd(a), newAllocationsShowCmd(a), newConfirmCmd(a), newExtendCmd(a), newSwapCmd(a), newReleaseCmd(a))
	return cmd
}

// live are the states in which an allocation keeps its unit from others.
var live = []compliancepb.Allocation_State{compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED, compliancepb.Allocation_STATE_OUT}

var allocationStates = map[string]compliancepb.Allocation_State{
	"held": compliancepb.Allocation_STATE_HELD, "confirmed": compliancepb.Allocation_STATE_CONFIRMED, "out": compliancepb.Allocation_STATE_OUT,
	"returned": compliancepb.Allocation_STATE_RETURNED, "released": compliancepb.Allocation_STATE_RELEASED, "expired": compliancepb.Allocation_STATE_EXPIRED,
}

func allocationWord(s compliancepb.Allocation_State) string {
	return strings.ToLower(strings.TrimPrefix(s.String(), "STATE_"))
}

// listAllocations reads a list of allocations, every page of it.
func (c *clients) listAllocations(ctx context.Context, req *compliancepb.ListAllocationsRequest, limit int) ([]*compliancepb.Allocation, error) {
	req.Parent = c.Org.Name()
	return pages(ctx, limit, func(ctx context.Context, size int32, token string) ([]*compliancepb.Allocation, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := c.Availability.ListAllocations(ctx, req)
		return r.GetAllocations(), r.GetNextPageToken(), err
	})
}

// chosen finds the allocations that a person means, of those in one of the states.
func (c *clients) chosen(ctx context.Context, what []string, states ...compliancepb.Allocation_State) ([]*compliancepb.Allocation, error) {
	at, err := c.atLeast(ctx)
	if err != nil {
		return nil, err
	}
	var out []*compliancepb.Allocation
	seen := map[string]bool{}
	for _, w := range what {
		found, err := c.allocationsOf(ctx, w, at, states)
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			if !seen[f.GetName()] {
				seen[f.GetName()] = true
				out = append(out, f)
			}
		}
	}
	return out, nil
}

// allocationsOf finds the allocations that one word means.
func (c *clients) allocationsOf(ctx context.Context, what string, at *typepb.Position, states []compliancepb.Allocation_State) ([]*compliancepb.Allocation, error) {
	id, err := uuid.Parse(what)
	byID := err == nil && len(what) == 36
	name := what
	if byID {
		name = c.Org.Name() + "/allocations/" + id.String()
	}
	if strings.HasPrefix(name, "orgs/") && strings.Contains(name, "/allocations/") {
		r, err := c.Availability.GetAllocation(ctx, &compliancepb.GetAllocationRequest{Name: name})
		if err == nil {
			return []*compliancepb.Allocation{r.GetAllocation()}, nil
		}
		if !byID || status.Code(err) != codes.NotFound {
			return nil, err
		}
		found, err := c.listAllocations(ctx, &compliancepb.ListAllocationsRequest{Group: id.String(), States: states, AtLeast: at}, 0)
		if err == nil && len(found) == 0 {
			err = errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("%s is neither an allocation nor a group that has one which is %s", what, stateList(states)))
		}
		return found, err
	}
	// One read tells tags and references apart, and it is compliance alone that is asked: the counter may have nothing else.
	all, err := c.listAllocations(ctx, &compliancepb.ListAllocationsRequest{States: states, AtLeast: at}, 0)
	if err != nil {
		return nil, err
	}
	var tagged, referred []*compliancepb.Allocation
	for _, f := range all {
		if f.GetAssetTag() == what {
			tagged = append(tagged, f)
		}
		if f.GetReference() == what {
			referred = append(referred, f)
		}
	}
	switch {
	case len(tagged) > 1:
		var lines []string
		z := c.zones(ctx)
		for _, f := range tagged {
			loc := z.of(f.GetShop())
			lines = append(lines, fmt.Sprintf("  %s  %s to %s  %s", lastID(f.GetName()), showInstant(f.GetStartTime(), loc), showInstant(f.GetEndTime(), loc), allocationWord(f.GetState())))
		}
		return nil, &usageError{msg: fmt.Sprintf("%s is promised several times; say which by its UUID:\n%s", what, strings.Join(lines, "\n")), quiet: true}
	case len(tagged) == 1:
		return tagged, nil
	case len(referred) > 0:
		return referred, nil
	}
	return nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("no allocation that is %s has the tag or the reference %s; 'strandline allocations list --all' lists them", stateList(states), what))
}

func stateList(states []compliancepb.Allocation_State) string {
	words := make([]string, len(states))
	for i, s := range states {
		words[i] = allocationWord(s)
	}
	return orList(words)
}

// orList joins words for a sentence.
func orList(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " or " + words[len(words)-1]
}

// setOf names allocations in a request.
func setOf(all []*compliancepb.Allocation) *compliancepb.AllocationSet {
	set := &compliancepb.AllocationSet{}
	for _, f := range all {
		set.Names = append(set.Names, f.GetName())
	}
	return set
}

// zones are the time zones of shops, looked up once. A shop whose zone cannot be had is told in UTC.
type zones struct {
	ctx  context.Context
	c    *clients
	have map[string]*time.Location
}

func (c *clients) zones(ctx context.Context) *zones {
	return &zones{ctx: ctx, c: c, have: map[string]*time.Location{}}
}

func (z *zones) of(shop string) *time.Location {
	loc, ok := z.have[shop]
	if !ok && shop != "" {
		loc, _ = z.c.zone(z.ctx, shop)
		z.have[shop] = loc
	}
	return loc
}

// printAllocations prints allocations for people, by group and outfit as they come.
func (a *app) printAllocations(z *zones, all []*compliancepb.Allocation) {
	if len(all) == 0 {
		return
	}
	t := newTable("tag", "kind", "size", ">outfit", "shop", "from", "to", "state", "reference", "~cannot be kept because")
	for _, f := range all {
		loc := z.of(f.GetShop())
		outfit := ""
		if f.GetOutfit() > 0 {
			outfit = fmt.Sprint(f.GetOutfit())
		}
		why := conflictSentences(f)
		first := ""
		if len(why) > 0 {
			first = why[0]
		}
		t.row(f.GetAssetTag(), f.GetKind(), f.GetSize(), outfit, lastID(f.GetShop()), showInstant(f.GetStartTime(), loc), showInstant(f.GetEndTime(), loc), allocationWord(f.GetState()), f.GetReference(), first)
		for _, w := range why[min(1, len(why)):] {
			t.row("", "", "", "", "", "", "", "", "", w)
		}
	}
	t.write(a.out, "", a.columns)
}

// conflictSentences says why a promise cannot be kept; nothing if it can.
func conflictSentences(f *compliancepb.Allocation) []string {
	var out []string
	for _, c := range f.GetConflicts() {
		if s := c.GetReason().GetSentence(); !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return out
}

// some wants one argument or more.
func some(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return usagef("%s needs WHAT: a tag, a reference, or the UUID of an allocation or a group", cmd.CommandPath())
	}
	return nil
}
