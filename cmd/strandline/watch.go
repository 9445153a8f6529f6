package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

func newWatchCmd(a *app) *cobra.Command {
	var shop, resume string
	var once bool
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "follow units and allocations: all there is, then every change",
		Long: `Prints everything that there is, then what changes, one line each, until it is stopped; each line is the whole state of one thing. The last line on
standard error is the command that goes on from there without a gap, at any time. With --output json each line is one message with its
resume token, and a program that keeps the last of each by name has a copy of what the server has.

Who does not keep up is dropped, and goes on with the last token.`,
		Example: `  strandline watch --shop lagoon
  strandline watch --shop lagoon --once --output json
  strandline watch --shop lagoon --resume TOKEN`,
		Args: words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, cancel := a.withTimeout(cmd.Context())
			defer cancel()
			c, err := a.connect(ctx)
			if err != nil {
				return err
			}
			w := &watcher{app: a, z: c.zones(cmd.Context()), token: resume, shop: shop, once: once}
			return w.follow(cmd.Context(), c, &compliancepb.WatchAvailabilityRequest{Parent: c.Org.Name(), Shop: c.shop(shop), ResumeToken: resume})
		},
	}
	cmd.Flags().StringVar(&shop, "shop", "", "only of this `shop`")
	cmd.Flags().StringVar(&resume, "resume", "", "go on after the message with this `token`")
	cmd.Flags().BoolVar(&once, "once", false, "end when everything is told that there is")
	return cmd
}

// watcher prints a stream of changes.
type watcher struct {
	app   *app
	z     *zones
	token string // of the last message
	shop  string
	once  bool
	told  bool // something stands since the last line that all is told
}

// follow prints what comes until ctx or the stream ends, and how to go on.
func (w *watcher) follow(ctx context.Context, c *clients, req *compliancepb.WatchAvailabilityRequest) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.Availability.WatchAvailability(ctx, req)
	if err != nil {
		return err
	}
	started := false
	defer func() {
		if started {
			w.goOn()
		}
	}()
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF), ctx.Err() != nil && status.Code(err) == codes.Canceled:
			return nil // whoever asked has had enough
		case err != nil:
			return err
		}
		w.token, started = m.GetResumeToken(), true
		if err := w.print(m); err != nil {
			return err
		}
		if w.once && m.GetComplete() != nil {
			return nil
		}
	}
}

// goOn says how to go on without a gap.
func (w *watcher) goOn() {
	if w.token == "" {
		return
	}
	shop := ""
	if w.shop != "" {
		shop = " --shop " + w.shop
	}
	w.app.talkf("Go on with: strandline watch%s --resume %s", shop, w.token)
}

func (w *watcher) print(m *compliancepb.WatchAvailabilityResponse) error {
	a := w.app
	if a.json() {
		raw, err := compact(m)
		if err != nil {
			return err
		}
		_, err = a.out.Write(append(raw, '\n'))
		return err
	}
	switch change := m.GetChange().(type) {
	case *compliancepb.WatchAvailabilityResponse_Unit:
		a.printf("%s\n", unitLine(change.Unit))
		w.told = true
	case *compliancepb.WatchAvailabilityResponse_Allocation:
		a.printf("%s\n", allocationLine(w.z, change.Allocation))
		w.told = true
	case *compliancepb.WatchAvailabilityResponse_Complete_:
		if p := change.Complete.GetPosition(); w.told {
			a.printf("all told     at registry %d, history %d, compliance %d\n", p.GetRegistry(), p.GetHistory(), p.GetCompliance())
			w.told = false
		}
	}
	return nil
}

// unitLine tells where a unit stands.
func unitLine(u *compliancepb.UnitState) string {
	state := "may be handed out"
	switch {
	case u.GetRetired():
		state = "retired"
	case !u.GetMayHandOut():
		var why []string
		for _, r := range u.GetReasons() {
			why = append(why, due.Code(strings.TrimPrefix(r.String(), "REASON_")).Words())
		}
		state = strings.TrimSuffix("may not be handed out: "+strings.Join(why, ", "), ": ")
	}
	var left []string // what it could be used for, were nothing else against it
	if u.GetUseByDate() != nil {
		left = append(left, "use by "+showDate(u.GetUseByDate()))
	}
	if u.DivesLeft != nil {
		left = append(left, plural(u.GetDivesLeft(), "dive")+" left")
	}
	if u.GetRunningTimeLeft() != nil {
		left = append(left, showRunning(u.GetRunningTimeLeft())+" left")
	}
	if u.FillsLeft != nil {
		left = append(left, plural(u.GetFillsLeft(), "fill")+" left")
	}
	if len(left) > 0 {
		state += "; " + strings.Join(left, ", ")
	}
	return fmt.Sprintf("unit         %s  %s  %s  %s", u.GetAssetTag(), kindAndSize(u.GetKind(), u.GetSize()), lastID(u.GetShop()), state)
}

// allocationLine tells where an allocation stands.
func allocationLine(z *zones, f *compliancepb.Allocation) string {
	loc := z.of(f.GetShop())
	text := fmt.Sprintf("allocation   %s  %s  %s  %s from %s to %s", f.GetAssetTag(), kindAndSize(f.GetKind(), f.GetSize()), lastID(f.GetShop()), allocationWord(f.GetState()), showInstant(f.GetStartTime(), loc), showInstant(f.GetEndTime(), loc))
	if f.GetReference() != "" {
		text += "  " + f.GetReference()
	}
	if why := conflictSentences(f); len(why) > 0 {
		text += "  cannot be kept: " + strings.Join(why, " ")
	}
	return text
}

func kindAndSize(kind, size string) string {
	if size == "" {
		return kind
	}
	return kind + " " + size
}
