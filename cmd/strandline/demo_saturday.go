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
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// What the Saturday is about.
const (
	saturdayShop = "sandbar" // where the club dives
	saturdayBoat = "kelpquay"
	saturdayTrip = "bommie"

	saturdayLeast  = "US-REG-004" // has 2 of its 100 dives left
	saturdayLast   = "AU-REG-007" // has 6, which is what a trip of three days makes
	saturdayJacket = "AU-BCD-004" // asked for by its tag
	saturdayRecall = "inflator-springs"

	saturdaySpare = 2 // sets, jackets and cylinders that each shop wants left on every day
	saturdayWeek  = 5 // days until the club comes again
)

// saturdayReady are the sets that stand at the bench in the morning, and are wanted.
var saturdayReady = []string{"US-REG-002", "US-REG-007", "US-REG-010"}

// saturdayWays are how long the demo's shops take to one another: it goes by air.
var saturdayWays = []struct {
	from, to string
	hours    int
}{{"kelpquay", "sandbar", 52}, {"bommie", "sandbar", 80}, {"sandbar", "kelpquay", 52}, {"bommie", "kelpquay", 76}, {"sandbar", "bommie", 80}, {"kelpquay", "bommie", 76}}

// clubJackets are the sizes that the club's twelve divers wear.
var clubJackets = []struct {
	size  string
	count int32
}{{"M", 5}, {"L", 3}, {"S", 3}, {"XL", 1}}

func newDemoSaturdayCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "saturday",
		Short: "play a Saturday at the three counters of the demo's chain, from search to return",
		Long: `Plays a Saturday through the public API, after 'strandline demo' has brought the chain in: outfits are searched and a club of twelve is promised them, all or
nothing; one set fails its check before the dive and another takes its place; the gate hands out; a recall opens in the middle of the day,
finds substitutes, conflicts, and a jacket that is out; what comes back makes two sets due by their dives; and the chain is looked at
before and after. A copy of units and allocations is kept from the watch stream all day long.

It is played at the present time, whatever day that is, and what takes a day happens in seconds. A second run finds it played and shows what it
came to; one that was broken off is cleared away and played anew.`,
		Example: `  strandline demo && strandline demo saturday
  strandline allocations list --all --shop sandbar`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.demoSaturday(cmd.Context()) },
	}
}

// saturdayRun is one run.
type saturdayRun struct {
	app     *app
	c       *clients
	now     time.Time // when it began
	reached *typepb.Position
	copy    *watchCopy
	number  int  // of the Saturday: 1, or more if some were broken off
	begun   bool // something was printed
}

// ref is the reference of a booking.
func (r *saturdayRun) ref(what string) string { return fmt.Sprintf("saturday-%d %s", r.number, what) }

// id makes ids that are the same whenever this Saturday is played.
func (r *saturdayRun) id(words ...string) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte(fmt.Sprintf("demo saturday %d %s", r.number, strings.Join(words, " ")))).String()
}

func (r *saturdayRun) head(format string, args ...any) {
	if r.begun {
		r.app.printf("\n")
	}
	r.begun = true
	r.app.printf("%s\n", fmt.Sprintf(format, args...))
}

func (r *saturdayRun) say(format string, args ...any) {
	r.app.paragraph(r.app.out, "  ", fmt.Sprintf(format, args...))
}

func (r *saturdayRun) more(format string, args ...any) {
	r.app.paragraph(r.app.out, "    ", fmt.Sprintf(format, args...))
}

func (r *saturdayRun) saw(p *typepb.Position) {
	later(r.reached, p)
	r.c.wrote(p)
}

func (a *app) demoSaturday(ctx context.Context) error {
	a.talkf("A Saturday at the counters of an invented chain. Nothing in it is real. The checks before each dive, the maker's manual and local law come first.")
	c, err := a.connectAs(ctx, a.set.Role, demoOrg)
	if err != nil {
		return err
	}
	r := &saturdayRun{app: a, c: c, now: a.clk.Now(), reached: &typepb.Position{}, number: 1}
	if _, err := c.unit(ctx, saturdayReady[0]); status.Code(err) == codes.NotFound {
		return usagef("the demo's chain is not there yet: run 'strandline demo' first, with the same --data")
	} else if err != nil {
		return err
	}
	played, err := r.before(ctx)
	if err != nil {
		return err
	}
	if r.copy, err = c.copyOf(ctx); err != nil {
		return err
	}
	defer r.copy.stop()
	if played {
		r.head("The Saturday was played before.")
	} else if err := r.play(ctx); err != nil {
		return err
	}
	if err := r.evening(ctx); err != nil {
		return err
	}
	return r.compare(ctx)
}

// before looks for a Saturday that was played, and clears away one that was broken off.
func (r *saturdayRun) before(ctx context.Context) (played bool, err error) {
	all, err := r.c.listAllocations(ctx, &compliancepb.ListAllocationsRequest{States: append(slices.Clone(live), compliancepb.Allocation_STATE_RETURNED, compliancepb.Allocation_STATE_RELEASED)}, 0)
	if err != nil {
		return false, err
	}
	last := 0
	for _, f := range all {
		var n int
		if _, err := fmt.Sscanf(f.GetReference(), "saturday-%d ", &n); err == nil {
			last = max(last, n)
		}
	}
	if last == 0 {
		return false, nil
	}
	r.number = last
	var out, promised []*compliancepb.Allocation
	back := 0
	for _, f := range all {
		if !strings.HasPrefix(f.GetReference(), r.ref("")) {
			continue
		}
		switch f.GetState() {
		case compliancepb.Allocation_STATE_OUT:
			out = append(out, f)
		case compliancepb.Allocation_STATE_HELD, compliancepb.Allocation_STATE_CONFIRMED:
			promised = append(promised, f)
		case compliancepb.Allocation_STATE_RETURNED:
			back++
		}
	}
	if len(out) == 0 && back > 1 {
		return true, nil
	}
	r.app.talkf("A Saturday was broken off: what is out of it comes back unused, what is promised is released.")
	if len(out) > 0 {
		req := &compliancepb.ReturnUnitsRequest{Parent: r.c.Org.Name(), RequestId: newID()}
		for _, f := range out {
			req.Returns = append(req.Returns, &compliancepb.ReturnUnitsRequest_Return{Allocation: f.GetName()})
		}
		if _, err := r.c.Availability.ReturnUnits(ctx, req); err != nil {
			return false, err
		}
	}
	if len(promised) > 0 {
		if _, err := r.c.Availability.ReleaseAllocations(ctx, &compliancepb.ReleaseAllocationsRequest{Parent: r.c.Org.Name(), Allocations: setOf(promised), Reason: "broken off", RequestId: newID()}); err != nil {
			return false, err
		}
	}
	if _, err := r.c.Recalls.WithdrawRecall(ctx, &compliancepb.WithdrawRecallRequest{Name: r.recall(), Reason: "broken off", RequestId: newID()}); err != nil && status.Code(err) != codes.NotFound && status.Code(err) != codes.FailedPrecondition {
		return false, err
	}
	r.number++
	return false, nil
}

// recall is the name of the day's recall.
func (r *saturdayRun) recall() string {
	id := saturdayRecall
	if r.number > 1 {
		id += fmt.Sprintf("-%d", r.number)
	}
	return r.c.recall(id)
}

// play plays the day.
func (r *saturdayRun) play(ctx context.Context) error {
	for _, step := range []func(context.Context) error{r.furnish, r.morning, r.search, r.promise, r.walkIn, r.otherCounters, r.check, r.handOutClub, r.recalled, r.callBack, r.handOutOthers, r.comeBack} {
		if err := step(ctx); err != nil {
			return err
		}
	}
	return nil
}

// furnish says how far the shops are apart, and has what falls due within a week seen to, so that the day can be played whenever the demo is run.
func (r *saturdayRun) furnish(ctx context.Context) error {
	for _, w := range saturdayWays {
		resp, err := r.c.Availability.SetTransferTime(ctx, &compliancepb.SetTransferTimeRequest{
			Parent: r.c.Org.Name(), TransferTime: &compliancepb.TransferTime{FromShop: r.c.shop(w.from), ToShop: r.c.shop(w.to), Duration: durationpb.New(time.Duration(w.hours) * time.Hour)},
		})
		if err != nil {
			return err
		}
		r.saw(resp.GetPosition())
	}
	units, err := r.serviceDue(ctx)
	if err != nil {
		return err
	}
	if err := r.usedSince(ctx, map[string]int64{saturdayLeast: 2, saturdayLast: 6}); err != nil {
		return err
	}
	r.head("The evening before")
	r.say("What fell due since %s, or does within a week, has been seen to: %s.", demoDay, plural(int64(units), "unit"))
	return nil
}

// window is some hours at a counter, counted from the hour that has begun.
func (r *saturdayRun) window(days, from, to int) (start, end *timestamppb.Timestamp) {
	begin := r.now.Truncate(time.Hour).AddDate(0, 0, days)
	return timestamppb.New(begin.Add(time.Duration(from) * time.Hour)), timestamppb.New(begin.Add(time.Duration(to) * time.Hour))
}

// clubOutfits are what the club wants: for each diver a set, a jacket and a cylinder.
func clubOutfits() []*compliancepb.Outfit {
	var out []*compliancepb.Outfit
	for _, j := range clubJackets {
		out = append(out, &compliancepb.Outfit{Count: j.count, Items: []*compliancepb.Outfit_Item{{Kind: "regulator-set"}, {Kind: "bcd", Size: j.size}, {Kind: "cylinder"}}})
	}
	return out
}

// standing asks where units stand.
func (r *saturdayRun) standing(ctx context.Context, u *registrypb.Unit) (*compliancepb.Standing, error) {
	s, err := r.c.Compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: u.GetName(), AtLeast: r.reached})
	return s.GetStanding(), err
}
