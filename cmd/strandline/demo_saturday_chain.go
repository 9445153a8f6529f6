package main

import (
	"context"
	"fmt"
	"slices"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// saturdayKinds are what the demo's Saturday looks at.
var saturdayKinds = []string{"regulator-set", "bcd", "cylinder"}

func (r *saturdayRun) morning(ctx context.Context) error {
	return r.chain(ctx, "The chain in the morning")
}

func (r *saturdayRun) evening(ctx context.Context) error {
	return r.chain(ctx, "The chain in the evening")
}

// chain shows what the shops have today and when the club comes again, and what could be moved.
func (r *saturdayRun) chain(ctx context.Context, title string) error {
	r.head("%s (strandline chain --spare %d --days %d)", title, saturdaySpare, saturdayWeek+2)
	s, err := r.c.Availability.SummarizeChain(ctx, &compliancepb.SummarizeChainRequest{Parent: r.c.Org.Name(), Days: saturdayWeek + 2, Spare: saturdaySpare, AtLeast: r.reached})
	if err != nil {
		return err
	}
	t := newTable("shop", "kind", ">owned", ">ready", ">promised", ">out", ">pulled", ">due soon", ">overdue", ">short", fmt.Sprintf(">short in %d days", saturdayWeek))
	shop := ""
	for _, row := range s.GetRows() {
		if !slices.Contains(saturdayKinds, row.GetKind()) {
			continue
		}
		name := lastID(row.GetShop())
		if name == shop {
			name = ""
		} else {
			shop = name
		}
		n := func(counts []int64, day int) string {
			if c := at(counts, day); c != 0 {
				return fmt.Sprint(c)
			}
			return "."
		}
		t.row(name, row.GetKind(), fmt.Sprint(row.GetOwned()), n(row.GetReady(), 0), n(row.GetPromised(), 0), n(row.GetOut(), 0), n(row.GetPulled(), 0), n(row.GetDueSoon(), 0), n(row.GetOverdue(), 0),
			n(row.GetShort(), 0), n(row.GetShort(), saturdayWeek))
	}
	t.write(r.app.out, "  ", r.app.columns)
	if len(s.GetMoves()) == 0 {
		r.say("Nothing needs to be moved.")
	}
	for _, m := range s.GetMoves() {
		r.say("Move: %s", m.GetSentence())
	}
	return nil
}
