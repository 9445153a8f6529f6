package compliancerpc

import (
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/due"
)

// Everything that an entry says of a use arrives, and the same in an amendment's replacement.
func TestUsageOfEntries(t *testing.T) {
	t.Parallel()
	org, unit, id, other := tenant.Must("reef"), uuid.MustParse("01890000-0000-7000-8000-00000000000a"), uuid.MustParse("01890000-0000-7000-8000-00000000000b"), uuid.MustParse("01890000-0000-7000-8000-00000000000c")
	at := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	for name, c := range map[string]struct {
		give string
		want due.Entry
	}{
		"an increment":            {`{increment: {dives: "2"}}`, due.Entry{Amount: due.Amount{Dives: 2}}},
		"an estimate":             {`{increment: {dives: "2"}, estimated: true}`, due.Entry{Amount: due.Amount{Dives: 2}, Estimated: true}},
		"at zero":                 {`{increment: {runningTime: 5400s}, intakeCelsius: 0}`, due.Entry{Amount: due.Amount{Hours: 90 * time.Minute}, HasCelsius: true}},
		"below zero":              {`{increment: {runningTime: 1s}, intakeCelsius: -60}`, due.Entry{Amount: due.Amount{Hours: time.Second}, Celsius: -60, HasCelsius: true}},
		"a reading":               {`{reading: {fills: "7"}}`, due.Entry{Reading: true, Meter: due.Fills, Amount: due.Amount{Fills: 7}}},
		"dives that rolled over":  {`{reading: {dives: "7", rollover: "1000"}}`, due.Entry{Reading: true, Meter: due.Dives, Amount: due.Amount{Dives: 7}, Rollover: 1000}},
		"hours that rolled over":  {`{reading: {runningTime: 7s, rollover: "3600000000"}, intakeCelsius: 40}`, due.Entry{Reading: true, Meter: due.Hours, Amount: due.Amount{Hours: 7 * time.Second}, Rollover: int64(1_000_000 * time.Hour), Celsius: 40, HasCelsius: true}},
		"and were then replaced":  {`{reading: {runningTime: 7s, rollover: "3600", replacementStart: "60"}}`, due.Entry{Reading: true, Meter: due.Hours, Amount: due.Amount{Hours: 7 * time.Second}, Rollover: int64(time.Hour), Replaced: true, Replacement: due.Amount{Hours: time.Minute}}},
		"replaced at zero, fills": {`{reading: {fills: "7", rollover: "8", replacementStart: "0"}}`, due.Entry{Reading: true, Meter: due.Fills, Amount: due.Amount{Fills: 7}, Rollover: 8, Replaced: true}},
	} {
		u := &historypb.Entry{}
		name0 := org.Name() + "/units/" + unit.String() + "/entries/"
		if err := protoyaml.Unmarshal([]byte(`{name: "`+name0+id.String()+`", occurredTime: "2026-03-04T05:06:07Z", recordedTime: "2026-03-04T05:06:08Z", usage: `+c.give+`}`), u); err != nil {
			t.Fatal(name, err)
		}
		want := c.want
		want.Kind, want.ID, want.Unit, want.Occurred, want.Recorded = due.UsageEntry, id, unit, at, at.Add(time.Second)
		got, err := entryOf(org, u)
		if err != nil {
			t.Fatal(name, err)
		}
		same := cmp.Comparer(func(a, b civil.Mark) bool { return a == b })
		if diff := cmp.Diff(&want, got, same); diff != "" {
			t.Errorf("%s (-want +got)\n%s", name, diff)
		}
		am := &historypb.Entry{
			Name: name0 + other.String(), OccurredTime: u.GetOccurredTime(), RecordedTime: u.GetRecordedTime(),
			Detail: &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: u.GetName(), Reason: "typed", Replacement: &historypb.Replacement{
				OccurredTime: u.GetOccurredTime(), Detail: &historypb.Replacement_Usage{Usage: u.GetUsage()},
			}}},
		}
		if got, err = entryOf(org, am); err != nil {
			t.Fatal(name, err)
		}
		if diff := cmp.Diff(&want, got.Correct, same); diff != "" {
			t.Errorf("%s as a replacement (-want +got)\n%s", name, diff)
		}
	}
	if _, err := entryOf(org, &historypb.Entry{
		Name:   org.Name() + "/units/" + unit.String() + "/entries/" + id.String(),
		Detail: &historypb.Entry_Usage{Usage: &historypb.Usage{IntakeCelsius: proto.Int32(1 << 20), Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: 1}}}},
	}); err == nil {
		t.Error("a temperature that does not fit was cut to one that does")
	}
}
