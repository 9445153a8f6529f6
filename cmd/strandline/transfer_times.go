package main

import (
	"context"
	"regexp"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

func newTransferTimesCmd(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use:   "transfer-times",
		Short: "how long it takes to bring units from shop to shop",
		Long: `Alternatives and moves say how long the way takes, where somebody has said so; units are then offered for a day that they can be there on.
'strandline transfer' records that a unit has changed shops.`,
		Args: noSuchCommand,
		RunE: needsCommand,
	}
	var both bool
	set := &cobra.Command{
		Use:   "set FROM TO HOW-LONG",
		Short: "say how long it takes from one shop to another, door to door",
		Example: `  strandline transfer-times set lagoon harbour 2h
  strandline transfer-times set lagoon island 1d12h --both`,
		Args:        words,
		Annotations: map[string]string{writes: "yes"},
		RunE: func(cmd *cobra.Command, args []string) error {
			d, err := parseWay(args[2])
			if err != nil {
				return err
			}
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				ways := [][2]string{{args[0], args[1]}}
				if both {
					ways = append(ways, [2]string{args[1], args[0]})
				}
				for _, w := range ways {
					r, err := c.Availability.SetTransferTime(ctx, &compliancepb.SetTransferTimeRequest{
						Parent: c.Org.Name(), TransferTime: &compliancepb.TransferTime{FromShop: c.shop(w[0]), ToShop: c.shop(w[1]), Duration: durationpb.New(d)}, RequestId: newID(),
					})
					if err != nil {
						return err
					}
					if err := a.told(c, r.GetPosition(), false, r.GetTransferTime(), "From %s to %s it takes %s.", w[0], w[1], showWay(r.GetTransferTime().GetDuration())); err != nil {
						return err
					}
				}
				return nil
			})
		},
	}
	set.Flags().BoolVar(&both, "both", false, "the way back takes as long")
	list := &cobra.Command{
		Use:     "list",
		Short:   "how long it takes from shop to shop",
		Example: "  strandline transfer-times list",
		Args:    words,
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.withClients(cmd.Context(), func(ctx context.Context, c *clients) error {
				all, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*compliancepb.TransferTime, string, error) {
					r, err := c.Availability.ListTransferTimes(ctx, &compliancepb.ListTransferTimesRequest{Parent: c.Org.Name(), PageSize: size, PageToken: token})
					return r.GetTransferTimes(), r.GetNextPageToken(), err
				})
				if err != nil {
					return err
				}
				if a.json() {
					return printList(a, all)
				}
				t := newTable("from", "to", ">takes")
				for _, w := range all {
					t.row(lastID(w.GetFromShop()), lastID(w.GetToShop()), showWay(w.GetDuration()))
				}
				a.table(t, "Nobody has said how long it takes from shop to shop: 'strandline transfer-times set FROM TO 2h'.")
				return nil
			})
		},
	}
	cmd.AddCommand(set, list)
	return cmd
}

var wayDays = regexp.MustCompile(`^([0-9]{1,2})d(.*)$`)

// parseWay reads how long a way takes: 90m, 2h, 1d12h.
func parseWay(text string) (time.Duration, error) {
	var d time.Duration
	rest := text
	if m := wayDays.FindStringSubmatch(text); m != nil {
		n, _ := strconv.Atoi(m[1]) // two digits
		d, rest = time.Duration(n)*24*time.Hour, m[2]
	}
	if rest != "" {
		more, err := time.ParseDuration(rest)
		if err != nil || more < 0 {
			return 0, usagef("%q: want how long it takes, such as 90m, 2h or 1d12h", text)
		}
		d += more
	}
	if d < time.Minute || d > 60*24*time.Hour {
		return 0, usagef("%q: want a minute to 60 days, such as 90m, 2h or 1d12h", text)
	}
	return d, nil
}

// showWay prints how long a way takes, as parseWay reads it.
func showWay(d *durationpb.Duration) string {
	days := d.AsDuration() / (24 * time.Hour)
	rest := showRunning(durationpb.New(d.AsDuration() - days*24*time.Hour))
	switch {
	case days == 0:
		return rest
	case rest == "0h":
		return strconv.FormatInt(int64(days), 10) + "d"
	}
	return strconv.FormatInt(int64(days), 10) + "d" + rest
}
