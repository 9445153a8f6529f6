package historyrpc_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func used(unit string, at time.Time, u *historypb.Usage) *historypb.Entry {
	return &historypb.Entry{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(at), Detail: &historypb.Entry_Usage{Usage: u}}
}

func hours(d time.Duration) *historypb.Usage {
	return &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{RunningTime: durationpb.New(d)}}}
}

func reads(m *historypb.MeterReading) *historypb.Usage {
	return &historypb.Usage{Amount: &historypb.Usage_Reading{Reading: m}}
}

// usageShapes is usage with what not every use has, and amendments to it. All is what a rule allows at its edge.
func usageShapes(unit string) []*historypb.Entry {
	at := start.Add(-48 * time.Hour)
	next := func(u *historypb.Usage) *historypb.Entry {
		at = at.Add(time.Minute)
		return used(unit, at, u)
	}
	estimate := dives(unit, at, 4)
	estimate.GetUsage().Estimated = true
	cold := hours(90 * time.Minute)
	cold.IntakeCelsius, cold.Estimated = proto.Int32(-60), true
	zero := reads(&historypb.MeterReading{Value: &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(0)}})
	zero.IntakeCelsius = proto.Int32(0)
	hot := reads(&historypb.MeterReading{
		Value: &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(999*time.Second + 999*time.Millisecond)}, Rollover: 1000, ReplacementStart: proto.Int64(2000),
	})
	hot.IntakeCelsius = proto.Int32(90)
	rolled := reads(&historypb.MeterReading{Value: &historypb.MeterReading_Dives{Dives: 999}, Rollover: 1000})
	out := []*historypb.Entry{
		estimate, next(cold), next(zero), next(hot), next(rolled),
		next(reads(&historypb.MeterReading{Value: &historypb.MeterReading_Fills{Fills: 0}, Rollover: 1})),
	}
	return append(out,
		amend(out[0], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Usage{Usage: cold}}),
		amend(out[1], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Usage{Usage: rolled}}),
	)
}

// What was said of a use is in the entry, in the list and in the feed, and the chain covers it.
func TestUsageKeepsWhatWasSaid(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	entries := usageShapes(units[0])
	got := appendEntries(t, c, orgA, entries...)
	again := appendEntries(t, c, orgA, entries...)
	if d := cmp.Diff(got, again, protocmp.Transform()); d != "" {
		t.Errorf("a repeat (-first +second)\n%s", d)
	}
	list, err := c.ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: units[0]})
	if err != nil {
		t.Fatal(err)
	}
	feed, err := r.feed().ReadFeed(t.Context(), &feedpb.ReadFeedRequest{Parent: "orgs/" + orgA, Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	if len(list.GetEntries()) != len(entries) || len(feed.GetChanges()) != len(entries) {
		t.Fatalf("%d in the list and %d in the feed, want %d", len(list.GetEntries()), len(feed.GetChanges()), len(entries))
	}
	for i, e := range entries {
		rec := got.GetReceipts()[i]
		read, err := c.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: e.GetName()})
		if err != nil {
			t.Fatal(err)
		}
		want := proto.CloneOf(e)
		want.Shop, want.Sequence, want.RecordedTime, want.Digest, want.Recorder = shop, rec.GetSequence(), rec.GetRecordedTime(), rec.GetDigest(), "person-of-"+orgA
		for where, have := range map[string]*historypb.Entry{"entry": read.GetEntry(), "list": list.GetEntries()[i], "feed": feed.GetChanges()[i].GetEntry()} {
			if d := cmp.Diff(want, have, protocmp.Transform()); d != "" {
				t.Errorf("%s %d (-want +got)\n%s", where, i, d)
			}
		}
	}
	verify(t, c, orgA, int64(len(entries)))

	// The same id with another temperature, estimate or rollover is another content.
	for i, change := range []func(*historypb.Usage){
		func(u *historypb.Usage) { u.Estimated = false },
		func(u *historypb.Usage) { u.IntakeCelsius = proto.Int32(-59) },
		func(u *historypb.Usage) { u.IntakeCelsius = nil },
		func(u *historypb.Usage) { u.GetReading().Rollover = 1001 },
	} {
		e := proto.CloneOf(entries[[]int{0, 1, 2, 4}[i]])
		change(e.GetUsage())
		_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{e}})
		wantError(t, err, codes.InvalidArgument, "ENTRY_ID_REUSED", "entries[0].name ENTRY_ID_REUSED")
	}
}

func TestUsageRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	unit := units[0]
	c := r.client(orgA)
	was := dives(unit, start, 1)
	appendEntries(t, c, orgA, was)
	with := func(u *historypb.Usage, f func(*historypb.Usage)) *historypb.Usage { f(u); return u }
	metered := func(value, rollover int64) *historypb.Usage {
		return reads(&historypb.MeterReading{Value: &historypb.MeterReading_Dives{Dives: value}, Rollover: rollover})
	}
	ran := func(value time.Duration, rollover int64) *historypb.Usage {
		return reads(&historypb.MeterReading{Value: &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(value)}, Rollover: rollover})
	}
	temperature := func(c int32) func(*historypb.Usage) {
		return func(u *historypb.Usage) { u.IntakeCelsius = proto.Int32(c) }
	}
	for name, c2 := range map[string]struct {
		give               *historypb.Usage
		field, value, says string
	}{
		"rollover at the reading":       {metered(1000, 1000), "reading.rollover", "1000", "more than the reading"},
		"rollover below the reading":    {metered(1000, 10), "reading.rollover", "10", "which is 1000"},
		"rollover in seconds":           {ran(1000*time.Second, 1000), "reading.rollover", "1000 s", "which is 1000 s"},
		"rollover below zero":           {metered(5, -1), "reading.rollover", "-1", ""},
		"estimated reading":             {with(metered(5, 0), func(u *historypb.Usage) { u.Estimated = true }), "estimated", "true", "record an increment"},
		"temperature of dives":          {with(proto.CloneOf(was.GetUsage()), temperature(20)), "intake_celsius", "20", "record the running time too"},
		"temperature of a dive meter":   {with(metered(5, 0), temperature(0)), "intake_celsius", "0", "leave the temperature out"},
		"temperature out of this world": {with(hours(time.Hour), temperature(91)), "intake_celsius", "91", ""},
		"temperature too cold":          {with(hours(time.Hour), temperature(-61)), "intake_celsius", "-61", ""},
	} {
		t.Run(name, func(t *testing.T) {
			e := used(unit, start, c2.give)
			replaced := amend(was, start, &historypb.Replacement{OccurredTime: timestamppb.New(start), Detail: &historypb.Replacement_Usage{Usage: c2.give}})
			_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{e, replaced}})
			st := wantError(t, err, codes.InvalidArgument, "INVALID_FIELD",
				"entries[0].usage."+c2.field+" INVALID_FIELD", "entries[1].amendment.replacement.usage."+c2.field+" INVALID_FIELD")
			if m := st.Message(); !strings.Contains(fmt.Sprint(st.Details()), c2.value) || !strings.Contains(m, c2.says) {
				t.Errorf("%s\nlacks %q, or %q in its details", m, c2.says, c2.value)
			}
		})
	}
	verify(t, c, orgA, 1)
}
