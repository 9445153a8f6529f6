package main

import (
	"fmt"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/sheet"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func usageEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	inc, ok := c.increments(r)
	if !ok {
		return nil
	}
	ref := r.Text("reference")
	usage := &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: inc}, Reference: ref}
	if c.circumstances(r, usage); r.Bad {
		return nil
	}
	e.Detail = &historypb.Entry_Usage{Usage: usage}
	return c.identify(r, e, u, at, ref, usageContent(inc))
}

func usageContent(inc *historypb.UsageIncrement) string {
	return fmt.Sprintf("dives=%d hours=%s fills=%d", inc.GetDives(), inc.GetRunningTime().AsDuration(), inc.GetFills())
}

// circumstances reads whether a usage is an estimate and how warm the air was that a compressor drew in. An empty cell says nothing. It
// returns what the row says, as text.
func (c *check) circumstances(r *sheet.Row, u *historypb.Usage) (content string) {
	switch word := r.Choice("estimated", "yes", "no", "true", "false", "x"); word {
	case "":
	default:
		u.Estimated = word == "yes" || word == "true" || word == "x"
		content += fmt.Sprintf(" estimated=%t", u.GetEstimated())
	}
	if n, ok := r.Whole("celsius", -60, 90); ok {
		degrees := int32(n)
		u.IntakeCelsius = &degrees
		content += fmt.Sprintf(" celsius=%d", n)
	}
	return content
}

func meterEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	measure := r.Choice("measure", "dives", "hours", "fills")
	if measure == "" && !r.Bad {
		r.Need("measure", "write dives, hours or fills")
	}
	if r.Text("reading") == "" {
		r.Need("reading", "write what the meter showed")
	}
	if r.Bad {
		return nil
	}
	m := &historypb.MeterReading{}
	content := c.metered(r, measure, m)
	usage := &historypb.Usage{Amount: &historypb.Usage_Reading{Reading: m}, Reference: r.Text("reference")}
	if c.circumstances(r, usage); r.Bad {
		return nil
	}
	e.Detail = &historypb.Entry_Usage{Usage: usage}
	return c.identify(r, e, u, at, usage.GetReference(), content)
}

// metered reads what a meter of a measure showed, the new one's first reading and how many counts it has; an empty cell leaves what m
// says. It returns what the meter showed, as text.
func (c *check) metered(r *sheet.Row, measure string, m *historypb.MeterReading) (content string) {
	whole := func(column string) (n int64, text string, ok bool) {
		if measure != "hours" {
			most := int64(mostReading)
			if column == "rollover" {
				most *= 10
			}
			n, ok = r.Whole(column, 0, most)
			return n, strconv.FormatInt(n, 10), ok
		}
		d, ok := r.Hours(column, mostMetered)
		if ok && column != "reading" && d%time.Second != 0 {
			r.Problem(column, "this is counted in whole seconds", "round it")
			return 0, "", false
		}
		return int64(d), d.String(), ok
	}
	seconds := func(n int64) int64 { // the unit of new_start and rollover
		if measure == "hours" {
			return n / int64(time.Second)
		}
		return n
	}
	if n, text, ok := whole("reading"); ok {
		content = measure + "=" + text
		switch measure {
		case "hours":
			m.Value = &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(time.Duration(n))}
		case "dives":
			m.Value = &historypb.MeterReading_Dives{Dives: n}
		default:
			m.Value = &historypb.MeterReading_Fills{Fills: n}
		}
	}
	if n, _, ok := whole("new_start"); ok {
		start := seconds(n)
		m.ReplacementStart = &start
	}
	if n, _, ok := whole("rollover"); ok {
		m.Rollover = seconds(n)
	}
	if shows := shown(m); !r.Bad && m.GetRollover() > 0 && m.GetRollover() <= shows {
		r.Problem("rollover", "a meter of so many counts cannot show what stands under reading", "write the count at which it begins again at zero, such as 1000 for a meter of three digits")
	}
	return content
}

// shown returns what a meter shows, running time in whole seconds.
func shown(m *historypb.MeterReading) int64 {
	switch v := m.GetValue().(type) {
	case *historypb.MeterReading_RunningTime:
		return v.RunningTime.GetSeconds()
	case *historypb.MeterReading_Dives:
		return v.Dives
	case *historypb.MeterReading_Fills:
		return v.Fills
	}
	return 0
}

// measureOf names what a meter counts.
func measureOf(m *historypb.MeterReading) string {
	switch m.GetValue().(type) {
	case *historypb.MeterReading_RunningTime:
		return "hours"
	case *historypb.MeterReading_Dives:
		return "dives"
	}
	return "fills"
}
