package main

import (
	"context"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

type positioned = *typepb.Position

// detailFlags are the flags that say what happened. Each method takes the content to start from (nil for a new one) and
// puts in what the flags say.
type detailFlags struct {
	cmd *cobra.Command

	dives, fills                       int64
	running, reference                 string
	meterDives, meterFills, meterStart int64
	meterRunning, rollover             string
	estimated                          bool
	celsius                            int32

	activity, outcome, marked, provider string
	condition, severity                 string
}

const (
	usageFlags     = "dives running-time fills meter-dives meter-running-time meter-fills replaced-by-meter-at rollover estimated celsius reference"
	workFlags      = "activity outcome marked provider"
	conditionFlags = "condition severity"
)

func (d *detailFlags) addUsage() {
	fs := d.cmd.Flags()
	fs.Int64Var(&d.dives, "dives", 0, "`number` of dives")
	fs.StringVar(&d.running, "running-time", "", "running `time`, for example 1h30m")
	fs.Int64Var(&d.fills, "fills", 0, "`number` of fills")
	fs.Int64Var(&d.meterDives, "meter-dives", 0, "total `number` of dives that the unit's meter shows")
	fs.StringVar(&d.meterRunning, "meter-running-time", "", "total running `time` that the unit's meter shows")
	fs.Int64Var(&d.meterFills, "meter-fills", 0, "total `number` of fills that the unit's meter shows")
	fs.Int64Var(&d.meterStart, "replaced-by-meter-at", 0, "the meter was replaced: the new one's first `reading` (dives or fills; seconds of running time)")
	fs.StringVar(&d.rollover, "rollover", "", "the meter went past this `count` since the reading before and began again at zero, for example 1000 (for running time 1000h)")
	fs.BoolVar(&d.estimated, "estimated", false, "it is an estimate, because a log is missing; it counts in full")
	fs.Int32Var(&d.celsius, "celsius", 0, "`degrees` Celsius of the air that a compressor drew in, for rules that weigh running time by it")
	fs.StringVar(&d.reference, "reference", "", "`reference` of your own, for example a rental number")
}

func (d *detailFlags) addWork(activity string) {
	fs := d.cmd.Flags()
	fs.StringVar(&d.activity, "activity", "", activity)
	fs.StringVar(&d.outcome, "outcome", "", "`outcome`: pass, fail, inconclusive or condemned (which is final)")
	fs.StringVar(&d.marked, "marked", "", "`date` or month marked on the unit; intervals count from it")
	fs.StringVar(&d.provider, "provider", "", "`who` did it, where that was not the shop")
}

func (d *detailFlags) addCondition(severity string) {
	fs := d.cmd.Flags()
	fs.StringVar(&d.condition, "condition", "", "what happened, in a `word`: free-flow, flooding, drop, leak, corrosion ...")
	fs.StringVar(&d.severity, "severity", severity, "`severity`: pull, or note when the unit stays in use")
}

func (d *detailFlags) changed() bool {
	for _, n := range strings.Fields(usageFlags + " " + workFlags + " " + conditionFlags) {
		if d.cmd.Flags().Changed(n) {
			return true
		}
	}
	return false
}

func (d *detailFlags) usage(u *historypb.Usage) (*historypb.Usage, error) {
	set := d.cmd.Flags().Changed
	increment := set("dives") || set("running-time") || set("fills")
	meters := 0
	for _, n := range []string{"meter-dives", "meter-running-time", "meter-fills"} {
		if set(n) {
			meters++
		}
	}
	if u == nil {
		u = &historypb.Usage{}
		if !increment && meters == 0 {
			return nil, usagef("say how much: --dives, --running-time or --fills; or what the meter shows: --meter-dives, --meter-running-time or --meter-fills")
		}
	}
	if increment && meters > 0 || meters > 1 {
		return nil, usagef("an entry is either an increment (--dives, --running-time, --fills together) or one meter's reading")
	}
	if set("replaced-by-meter-at") && meters == 0 && u.GetReading() == nil {
		return nil, usagef("--replaced-by-meter-at goes with the old meter's last reading, for example --meter-dives 412")
	}
	if set("rollover") && meters == 0 && u.GetReading() == nil {
		return nil, usagef("--rollover goes with what the meter shows now, for example --meter-dives 12 --rollover 1000")
	}
	if increment {
		i := u.GetIncrement()
		if i == nil {
			i = &historypb.UsageIncrement{}
		}
		if set("dives") {
			i.Dives = d.dives
		}
		if set("fills") {
			i.Fills = d.fills
		}
		if set("running-time") {
			var err error
			if i.RunningTime, err = parseRunning("running-time", d.running); err != nil {
				return nil, err
			}
		}
		u.Amount = &historypb.Usage_Increment{Increment: i}
	}
	if meters > 0 {
		r := &historypb.MeterReading{}
		if old := u.GetReading(); old != nil {
			r.ReplacementStart, r.Rollover = old.ReplacementStart, old.Rollover
		}
		switch {
		case set("meter-dives"):
			r.Value = &historypb.MeterReading_Dives{Dives: d.meterDives}
		case set("meter-fills"):
			r.Value = &historypb.MeterReading_Fills{Fills: d.meterFills}
		default:
			t, err := parseRunning("meter-running-time", d.meterRunning)
			if err != nil {
				return nil, err
			}
			r.Value = &historypb.MeterReading_RunningTime{RunningTime: t}
		}
		u.Amount = &historypb.Usage_Reading{Reading: r}
	}
	if set("replaced-by-meter-at") {
		u.GetReading().ReplacementStart = &d.meterStart
	}
	if set("rollover") {
		var err error
		if u.GetReading().Rollover, err = parseRollover(u.GetReading(), d.rollover); err != nil {
			return nil, err
		}
	}
	if set("estimated") {
		u.Estimated = d.estimated
	}
	if set("celsius") {
		u.IntakeCelsius = &d.celsius
	}
	if set("reference") {
		u.Reference = d.reference
	}
	return u, nil
}

// parseRollover reads how many counts a reading's meter has: a number, and for running time whole seconds written as a duration.
func parseRollover(r *historypb.MeterReading, text string) (int64, error) {
	if _, ok := r.GetValue().(*historypb.MeterReading_RunningTime); ok {
		t, err := parseRunning("rollover", text)
		if err != nil {
			return 0, err
		}
		if t.GetNanos() != 0 {
			return 0, usagef("--rollover %q: want whole seconds, for example 1000h", text)
		}
		return t.GetSeconds(), nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 0 {
		return 0, usagef("--rollover %q: want how many counts the meter has, for example 1000; 0 takes a rollover back", text)
	}
	return n, nil
}

func (d *detailFlags) service(s *historypb.Service) (*historypb.Service, error) {
	if s == nil {
		s = &historypb.Service{}
	}
	if d.activity != "" {
		s.Activities = nil
		for _, w := range strings.Split(d.activity, ",") {
			s.Activities = append(s.Activities, strings.TrimSpace(w))
		}
	}
	return s, d.work(&s.Outcome, func() (err error) {
		if d.marked != "" {
			s.MarkDate, err = parseMark("marked", d.marked)
		}
		if d.provider != "" {
			s.Provider = d.provider
		}
		return err
	})
}

func (d *detailFlags) test(t *historypb.Test) (*historypb.Test, error) {
	if t == nil {
		t = &historypb.Test{}
	}
	if d.activity != "" {
		t.Activity = d.activity
	}
	return t, d.work(&t.Outcome, func() (err error) {
		if d.marked != "" {
			t.MarkDate, err = parseMark("marked", d.marked)
		}
		if d.provider != "" {
			t.Provider = d.provider
		}
		return err
	})
}

func (d *detailFlags) work(outcome *historypb.Outcome, rest func() error) error {
	if d.outcome != "" {
		n, ok := historypb.Outcome_value["OUTCOME_"+strings.ToUpper(d.outcome)]
		if !ok || n == 0 {
			return usagef("--outcome %q: want pass, fail, inconclusive or condemned", d.outcome)
		}
		*outcome = historypb.Outcome(n)
	}
	return rest()
}

func (d *detailFlags) conditionOf(n *historypb.Condition) (*historypb.Condition, error) {
	if d.condition != "" {
		n.Condition = d.condition
	}
	switch d.severity {
	case "":
	case "pull":
		n.Severity = historypb.Condition_SEVERITY_PULL
	case "note":
		n.Severity = historypb.Condition_SEVERITY_NOTE
	default:
		return nil, usagef("--severity %q: want pull or note", d.severity)
	}
	return n, nil
}

// standing reads a unit's standing from a position on.
func (c *clients) standing(ctx context.Context, u *registrypb.Unit, at positioned) (*compliancepb.Standing, error) {
	r, err := c.Compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: u.GetName(), AtLeast: at})
	return r.GetStanding(), err
}

func timestamp(t time.Time) *timestamppb.Timestamp { return timestamppb.New(t) }
