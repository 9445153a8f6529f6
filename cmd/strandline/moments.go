package main

import (
	"context"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"
)

// moments are the two times a question can be asked at: the instant it is about, and the instant up to which what was recorded counts.
type moments struct{ asOf, asKnown string }

// flags gives a command both; asOf and asKnown are their lines of help, empty for the usual.
func (m *moments) flags(cmd *cobra.Command, asOf, asKnown string) {
	cmd.Flags().StringVar(&m.asOf, "as-of", "", orWord(asOf, "the `instant` asked about (default now)"))
	cmd.Flags().StringVar(&m.asKnown, "as-known", "", orWord(asKnown, "only what was recorded by this `instant` counts"))
}

// given says whether either was.
func (m *moments) given() bool { return m.asOf != "" || m.asKnown != "" }

// read returns both in the zone of a shop; nil for what was not given.
func (m *moments) read(ctx context.Context, c *clients, shop string) (instant, known *timestamppb.Timestamp, err error) {
	if instant, err = c.instant(ctx, "as-of", m.asOf, shop, dayStart); err != nil {
		return nil, nil, err
	}
	known, err = c.instant(ctx, "as-known", m.asKnown, shop, dayStart)
	return instant, known, err
}

// readDay is read for questions about days that are the same everywhere: the instant asked about is a day.
func (m *moments) readDay(ctx context.Context, c *clients) (instant, known *timestamppb.Timestamp, err error) {
	if instant, err = dayInstant("as-of", m.asOf); err != nil {
		return nil, nil, err
	}
	known, err = c.instant(ctx, "as-known", m.asKnown, "", dayStart)
	return instant, known, err
}

// tell prints which instants an answer is about, where they were given.
func (m *moments) tell(ctx context.Context, a *app, c *clients, shop string, instant, known *timestamppb.Timestamp) {
	if a.json() || instant == nil && known == nil {
		return
	}
	zone, _ := c.zone(ctx, shop)
	var parts []string
	if instant != nil {
		parts = append(parts, "as of "+showInstant(instant, zone))
	}
	if known != nil {
		parts = append(parts, "as known at "+showInstant(known, zone))
	}
	text := strings.Join(parts, ", ")
	a.printf("%s\n", strings.ToUpper(text[:1])+text[1:])
}
