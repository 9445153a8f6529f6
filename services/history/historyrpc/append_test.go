package historyrpc_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/history/historyrpc"
)

// everyShape is one entry of each shape that the proto allows.
func everyShape(unit, shop string) []*historypb.Entry {
	at := start.Add(-48 * time.Hour)
	next := func(e *historypb.Entry) *historypb.Entry {
		at = at.Add(time.Minute + 1234*time.Microsecond)
		e.Name, e.OccurredTime = unit+"/entries/"+uuid.NewString(), timestamppb.New(at)
		return e
	}
	usage := func(u *historypb.Usage) *historypb.Entry {
		return next(&historypb.Entry{Detail: &historypb.Entry_Usage{Usage: u}})
	}
	reading := func(m *historypb.MeterReading) *historypb.Entry {
		return usage(&historypb.Usage{Amount: &historypb.Usage_Reading{Reading: m}})
	}
	out := []*historypb.Entry{
		usage(&historypb.Usage{Reference: "R-1 \u2400 é", Amount: &historypb.Usage_Increment{Increment: &historypb.UsageIncrement{Dives: 2, RunningTime: durationpb.New(95*time.Minute + 7), Fills: 3}}}),
		reading(&historypb.MeterReading{Value: &historypb.MeterReading_Dives{Dives: 120}}),
		reading(&historypb.MeterReading{Value: &historypb.MeterReading_RunningTime{RunningTime: durationpb.New(3_600_000_000 * time.Second)}, ReplacementStart: proto.Int64(0)}),
		reading(&historypb.MeterReading{Value: &historypb.MeterReading_Fills{Fills: 0}, ReplacementStart: proto.Int64(40)}),
		next(&historypb.Entry{Shop: shop, Technician: orgOf(unit) + "/technicians/ada", Note: "seats replaced; \u65e5\u672c \u2400", Detail: &historypb.Entry_Service{Service: &historypb.Service{
			Activities: []string{"overhaul", "inspection"}, Outcome: historypb.Outcome_OUTCOME_PASS, MarkDate: &datepb.Date{Year: 2026, Month: 2}, Provider: "north station",
		}}}),
		next(&historypb.Entry{Detail: &historypb.Entry_Test{Test: &historypb.Test{Activity: "hydrostatic-test", Outcome: historypb.Outcome_OUTCOME_INCONCLUSIVE, MarkDate: &datepb.Date{Year: 2026, Month: 2, Day: 27}}}}),
		next(&historypb.Entry{Detail: &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: "free-flow", Severity: historypb.Condition_SEVERITY_PULL}}}),
	}
	return append(out,
		next(amend(out[0], start, nil)),
		next(amend(out[1], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Usage{Usage: out[0].GetUsage()}})),
		next(amend(out[4], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Service{Service: out[4].GetService()}})),
		next(amend(out[5], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Test{Test: out[5].GetTest()}})),
		next(amend(out[6], start, &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Condition{Condition: out[6].GetCondition()}})),
	)
}

func TestAppendKeepsWhatWasSaid(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	entries := everyShape(units[0], shop)
	got := appendEntries(t, c, orgA, entries...)
	if got.GetPosition().GetHistory() != int64(len(entries)) {
		t.Errorf("position %v after %d entries", got.GetPosition(), len(entries))
	}
	for i, e := range entries {
		rec := got.GetReceipts()[i]
		if rec.GetEntry() != e.GetName() || rec.GetSequence() != int64(i+1) || !rec.GetRecordedTime().AsTime().Equal(start) || len(rec.GetDigest()) != 32 {
			t.Errorf("receipt %d: %v", i, rec)
		}
		read, err := c.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: e.GetName()})
		if err != nil {
			t.Fatal(err)
		}
		want := proto.CloneOf(e)
		want.Shop, want.Sequence, want.RecordedTime, want.Digest, want.Recorder = shop, rec.GetSequence(), rec.GetRecordedTime(), rec.GetDigest(), "person-of-"+orgA
		if d := cmp.Diff(want, read.GetEntry(), protocmp.Transform()); d != "" {
			t.Errorf("entry %d (-want +got)\n%s", i, d)
		}
	}
	if calls := r.registry.calls(); !slices.Equal(calls, []string{"BatchGetUnits"}) {
		t.Errorf("asked the registry %q, want one call", calls)
	}
	list, err := c.ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: units[0]})
	if err != nil || len(list.GetEntries()) != len(entries) {
		t.Errorf("list: %d entries, %v", len(list.GetEntries()), err)
	}
}

// An instant finer than a microsecond is cut, and a repeat of it is the same entry.
func TestAppendCutsNanoseconds(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	e := dives(units[0], start.Add(-time.Hour).Add(1999), 1)
	first := appendEntries(t, c, orgA, e)
	if d := cmp.Diff(first, appendEntries(t, c, orgA, e), protocmp.Transform()); d != "" {
		t.Error(d)
	}
	read, err := c.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: e.GetName()})
	if err != nil || read.GetEntry().GetOccurredTime().GetNanos() != 1000 {
		t.Errorf("%v, %v", read, err)
	}
}

func TestRepeats(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 2)
	c := r.client(orgA)
	entries := everyShape(units[0], "")
	first := appendEntries(t, c, orgA, entries...)

	// Later, from elsewhere, with the unit moved and retired and commissioned on another day: still the same entries.
	r.clock.Advance(time.Hour)
	other := r.registry.shop(orgA, "pier", "Pacific/Honolulu")
	r.registry.change(func() {
		u := r.registry.units[units[0]]
		r.registry.units[units[0]] = &registrypb.Unit{
			Name: u.Name, Shop: other, Placements: append(u.Placements, &registrypb.Placement{Shop: other, StartTime: timestamppb.New(start)}),
			CommissionDate: &datepb.Date{Year: 2026, Month: 3, Day: 1}, State: registrypb.Unit_STATE_RETIRED, RetireTime: timestamppb.New(start.Add(-72 * time.Hour)),
		}
	})
	if d := cmp.Diff(first, appendEntries(t, c, orgA, entries...), protocmp.Transform()); d != "" {
		t.Errorf("a repeat (-first +second)\n%s", d)
	}
	// With new ones among them, the old ones keep their receipts, and the position is past all.
	mixed := []*historypb.Entry{dives(units[1], start, 1), entries[2], dives(units[1], start, 2), entries[0]}
	got := appendEntries(t, c, orgA, mixed...)
	n := int64(len(entries))
	for i, want := range []int64{n + 1, 3, n + 2, 1} {
		if got.GetReceipts()[i].GetSequence() != want {
			t.Errorf("receipt %d has sequence %d, want %d", i, got.GetReceipts()[i].GetSequence(), want)
		}
	}
	if got.GetPosition().GetHistory() != n+2 {
		t.Errorf("position %v, want %d", got.GetPosition(), n+2)
	}
	// Twice in one request is once.
	twice := dives(units[1], start, 3)
	got = appendEntries(t, c, orgA, twice, twice)
	if a, b := got.GetReceipts()[0], got.GetReceipts()[1]; a.GetSequence() != n+3 || !proto.Equal(a, b) {
		t.Errorf("an entry twice in one request: %v, %v", a, b)
	}
	if r.count() != int(n+3) {
		t.Errorf("%d rows, want %d", r.count(), n+3)
	}
	verify(t, c, orgA, n+3)

	// Other content under the same id is refused, whatever the difference, and alone among the batch is named.
	for name, change := range map[string]func(*historypb.Entry){
		"note":     func(e *historypb.Entry) { e.Note = "x" },
		"shop":     func(e *historypb.Entry) { e.Shop = other },
		"dives":    func(e *historypb.Entry) { e.GetUsage().GetIncrement().Dives++ },
		"occurred": func(e *historypb.Entry) { e.OccurredTime = timestamppb.New(start.Add(-time.Second)) },
		"unit":     func(e *historypb.Entry) { e.Name = strings.Replace(e.Name, units[1], units[0], 1) },
	} {
		bad := proto.CloneOf(mixed[0])
		change(bad)
		_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{dives(units[1], start, 9), bad}})
		t.Log(name)
		wantError(t, err, codes.InvalidArgument, "ENTRY_ID_REUSED", "entries[1].name ENTRY_ID_REUSED")
	}
	bad := proto.CloneOf(twice)
	bad.Note = "x"
	fresh := proto.CloneOf(bad)
	fresh.Name = units[1] + "/entries/" + uuid.NewString()
	clash := proto.CloneOf(fresh)
	clash.Note = "y"
	_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{fresh, clash}})
	wantError(t, err, codes.InvalidArgument, "ENTRY_ID_REUSED", "entries[1].name ENTRY_ID_REUSED")
	if r.count() != int(n+3) {
		t.Errorf("a refused request left rows")
	}
}

// verify checks the org's chain through the API.
func verify(t testing.TB, c historypb.HistoryServiceClient, org string, want int64) {
	t.Helper()
	got, err := c.VerifyLedger(t.Context(), &historypb.VerifyLedgerRequest{Name: "orgs/" + org})
	if err != nil {
		t.Fatal(err)
	}
	if got.GetEntryCount() != want || len(got.GetHeadDigest()) != 32 {
		t.Fatalf("verified %d entries, want %d", got.GetEntryCount(), want)
	}
}

// What a client can get wrong, one by one: the reason, the field, and that nothing is written.
func TestAppendRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 2)
	unit := units[0]
	retired := r.registry.unit(orgA, shop, &datepb.Date{Year: 2024, Month: 1, Day: 10})
	gone := start.Add(-24 * time.Hour)
	retired.State, retired.RetireTime = registrypb.Unit_STATE_RETIRED, timestamppb.New(gone)
	c := r.client(orgA)
	was := dives(unit, start.Add(-time.Hour), 1)
	final := work(unit, start.Add(-time.Hour), historypb.Outcome_OUTCOME_CONDEMNED)
	finalTest := &historypb.Entry{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(start.Add(-time.Hour)),
		Detail: &historypb.Entry_Test{Test: &historypb.Test{Activity: "hydrostatic-test", Outcome: historypb.Outcome_OUTCOME_CONDEMNED}}}
	already := amend(was, start, nil)
	passed := work(unit, start.Add(-time.Hour), historypb.Outcome_OUTCOME_PASS)
	worse := amend(passed, start, &historypb.Replacement{OccurredTime: timestamppb.New(start), Detail: &historypb.Replacement_Service{Service: final.GetService()}})
	appendEntries(t, c, orgA, was, final, finalTest, already, passed, worse)
	before := r.count()

	elsewhere := dives(units[1], start, 1)
	replaced := func(e *historypb.Entry) *historypb.Replacement {
		out := &historypb.Replacement{OccurredTime: e.GetOccurredTime()}
		switch {
		case e.GetUsage() != nil:
			out.Detail = &historypb.Replacement_Usage{Usage: e.GetUsage()}
		case e.GetService() != nil:
			out.Detail = &historypb.Replacement_Service{Service: e.GetService()}
		}
		return out
	}
	changed := func(e *historypb.Entry, f func(*historypb.Entry)) *historypb.Entry { f(e); return e }
	marked := func(d *datepb.Date) *historypb.Entry {
		return changed(work(unit, start, historypb.Outcome_OUTCOME_PASS), func(e *historypb.Entry) { e.GetService().MarkDate = d })
	}
	ghost := "orgs/" + orgA + "/units/" + uuid.NewString()
	for name, c2 := range map[string]struct {
		give   []*historypb.Entry
		code   codes.Code
		reason string
		want   []string
	}{
		"future":                      {[]*historypb.Entry{dives(unit, start.Add(5*time.Minute+time.Microsecond), 1)}, codes.InvalidArgument, "IN_THE_FUTURE", []string{"entries[0].occurred_time IN_THE_FUTURE"}},
		"replacement in the future":   {[]*historypb.Entry{amend(was, start, replaced(dives(unit, start.Add(time.Hour), 1)))}, codes.InvalidArgument, "IN_THE_FUTURE", []string{"entries[0].amendment.replacement.occurred_time IN_THE_FUTURE"}},
		"mark in the future":          {[]*historypb.Entry{marked(&datepb.Date{Year: 2026, Month: 4})}, codes.InvalidArgument, "IN_THE_FUTURE", []string{"entries[0].service.mark_date IN_THE_FUTURE"}},
		"mark the day after tomorrow": {[]*historypb.Entry{marked(&datepb.Date{Year: 2026, Month: 3, Day: 3})}, codes.InvalidArgument, "IN_THE_FUTURE", []string{"entries[0].service.mark_date IN_THE_FUTURE"}},
		"before commissioning":        {[]*historypb.Entry{dives(unit, time.Date(2023, 12, 31, 0, 0, 0, 0, time.UTC), 1)}, codes.InvalidArgument, "BEFORE_COMMISSIONING", []string{"entries[0].occurred_time BEFORE_COMMISSIONING"}},
		"replacement before it":       {[]*historypb.Entry{amend(was, start, replaced(dives(unit, time.Date(2023, 12, 31, 0, 0, 0, 0, time.UTC), 1)))}, codes.InvalidArgument, "BEFORE_COMMISSIONING", []string{"entries[0].amendment.replacement.occurred_time BEFORE_COMMISSIONING"}},
		"no such unit":                {[]*historypb.Entry{dives(unit, start, 1), dives(ghost, start, 1)}, codes.NotFound, "NOT_FOUND", nil},
		"no such unit, and more":      {[]*historypb.Entry{dives(ghost, start, 1), dives(unit, start.Add(time.Hour), 1)}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].name NOT_FOUND", "entries[1].occurred_time IN_THE_FUTURE"}},
		"no such shop":                {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Shop = "orgs/" + orgA + "/shops/nowhere" })}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].shop INVALID_FIELD"}},
		"usage of a retired unit":     {[]*historypb.Entry{dives(retired.Name, gone, 1)}, codes.InvalidArgument, "UNIT_RETIRED", []string{"entries[0].occurred_time UNIT_RETIRED"}},
		"nothing used":                {[]*historypb.Entry{dives(unit, start, 0)}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].usage.increment INVALID_FIELD"}},
		"negative dives":              {[]*historypb.Entry{dives(unit, start, -1)}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].usage.increment.dives INVALID_FIELD"}},
		"no detail":                   {[]*historypb.Entry{{Name: unit + "/entries/" + uuid.NewString(), OccurredTime: timestamppb.New(start)}}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].detail INVALID_FIELD"}},
		"no instant":                  {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.OccurredTime = nil })}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].occurred_time INVALID_FIELD"}},
		"impossible instant":          {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.OccurredTime = &timestamppb.Timestamp{Seconds: 1, Nanos: -1} })}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].occurred_time INVALID_FIELD"}},
		"impossible duration": {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) {
			e.GetUsage().GetIncrement().RunningTime = &durationpb.Duration{Seconds: 1, Nanos: -1}
		})}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].usage.increment.running_time INVALID_FIELD"}},
		"impossible mark":       {[]*historypb.Entry{marked(&datepb.Date{Year: 2025, Month: 2, Day: 29})}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].service.mark_date INVALID_FIELD"}},
		"id that is no UUID":    {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Name = unit + "/entries/" + strings.Repeat("-", 36) })}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].name INVALID_FIELD"}},
		"id all zeros":          {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Name = unit + "/entries/" + uuid.Nil.String() })}, codes.InvalidArgument, "INVALID_FIELD", []string{"entries[0].name INVALID_FIELD"}},
		"another org's unit":    {[]*historypb.Entry{dives(strings.Replace(unit, orgA, orgB, 1), start, 1)}, codes.PermissionDenied, "ORG_MISMATCH", nil},
		"another org's shop":    {[]*historypb.Entry{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Shop = "orgs/" + orgB + "/shops/quay" })}, codes.PermissionDenied, "ORG_MISMATCH", nil},
		"amends nothing":        {[]*historypb.Entry{amend(dives(unit, start, 1), start, nil)}, codes.InvalidArgument, "AMENDMENT_TARGET", []string{"entries[0].amendment.corrected_entry AMENDMENT_TARGET"}},
		"amends what comes":     {[]*historypb.Entry{amend(elsewhere, start, nil), elsewhere}, codes.InvalidArgument, "AMENDMENT_TARGET", []string{"entries[0].amendment.corrected_entry AMENDMENT_TARGET"}},
		"amends another unit's": {[]*historypb.Entry{changed(amend(was, start, nil), func(e *historypb.Entry) { e.Name = units[1] + "/entries/" + uuid.NewString() })}, codes.InvalidArgument, "AMENDMENT_TARGET", []string{"entries[0].amendment.corrected_entry AMENDMENT_TARGET"}},
		"amends under its unit": {[]*historypb.Entry{elsewhere, changed(amend(was, start, nil), func(e *historypb.Entry) {
			e.GetAmendment().CorrectedEntry = strings.Replace(elsewhere.Name, units[1], unit, 1)
		})}, codes.InvalidArgument, "AMENDMENT_TARGET", []string{"entries[1].amendment.corrected_entry AMENDMENT_TARGET"}},
		"amends an amendment":    {[]*historypb.Entry{amend(already, start, nil)}, codes.InvalidArgument, "AMENDMENT_TARGET", []string{"entries[0].amendment.corrected_entry AMENDMENT_TARGET"}},
		"amends a condemnation":  {[]*historypb.Entry{amend(final, start, replaced(work(unit, start, historypb.Outcome_OUTCOME_PASS)))}, codes.InvalidArgument, "CONDEMNATION_FINAL", []string{"entries[0].amendment.corrected_entry CONDEMNATION_FINAL"}},
		"voids a condemned test": {[]*historypb.Entry{amend(finalTest, start, nil)}, codes.InvalidArgument, "CONDEMNATION_FINAL", []string{"entries[0].amendment.corrected_entry CONDEMNATION_FINAL"}},
		"amends what an amendment condemned": {[]*historypb.Entry{amend(passed, start, replaced(work(unit, start, historypb.Outcome_OUTCOME_PASS)))}, codes.InvalidArgument, "CONDEMNATION_FINAL",
			[]string{"entries[0].amendment.corrected_entry CONDEMNATION_FINAL"}},
		"the same in one batch": {func() []*historypb.Entry {
			p := work(unit, start, historypb.Outcome_OUTCOME_FAIL)
			return []*historypb.Entry{p, amend(p, start, replaced(work(unit, start, historypb.Outcome_OUTCOME_CONDEMNED))), amend(p, start, nil)}
		}(), codes.InvalidArgument, "CONDEMNATION_FINAL", []string{"entries[2].amendment.corrected_entry CONDEMNATION_FINAL"}},
		"everything at once": {[]*historypb.Entry{dives(unit, start, 0), dives(unit, start.Add(time.Hour), 1), dives(retired.Name, start, 0), amend(final, start.Add(time.Hour), nil)}, codes.InvalidArgument, "INVALID_FIELD", []string{
			"entries[0].usage.increment INVALID_FIELD", "entries[1].occurred_time IN_THE_FUTURE", "entries[2].occurred_time UNIT_RETIRED", "entries[2].usage.increment INVALID_FIELD",
			"entries[3].occurred_time IN_THE_FUTURE", "entries[3].amendment.corrected_entry CONDEMNATION_FINAL",
		}},
	} {
		t.Run(name, func(t *testing.T) {
			for _, dry := range []bool{true, false} {
				_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: c2.give, ValidateOnly: dry})
				st := wantError(t, err, c2.code, c2.reason, c2.want...)
				if strings.Contains(st.Message(), "00000000-0000-0000-0000-000000000000") && !strings.Contains(name, "zeros") {
					t.Errorf("message shows what was not given: %s", st.Message())
				}
			}
		})
	}
	if got := r.count(); got != before {
		t.Errorf("%d rows, want %d: a refused request wrote", got, before)
	}
	verify(t, c, orgA, int64(before))
}

// What is allowed, right beside what is not.
func TestAppendTakes(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 1)
	unit := units[0]
	retired := r.registry.unit(orgA, shop, &datepb.Date{Year: 2024, Month: 1, Day: 10})
	gone := start.Add(-24 * time.Hour)
	retired.State, retired.RetireTime = registrypb.Unit_STATE_RETIRED, timestamppb.New(gone)
	other := r.registry.shop(orgA, "zz-last", "UTC")
	r.registry.shop(orgA, "aa", "UTC")
	r.registry.shop(orgA, "bb", "UTC")
	c := r.client(orgA)

	late := dives(retired.Name, gone.Add(-time.Microsecond), 2)
	lateWrong := work(unit, start, historypb.Outcome_OUTCOME_FAIL)
	visitor := dives(unit, start, 1)
	visitor.Shop = other // the unit was never there
	mark := work(unit, start, historypb.Outcome_OUTCOME_PASS)
	mark.GetService().MarkDate = &datepb.Date{Year: 2026, Month: 3, Day: 1}
	got := appendEntries(t, c, orgA,
		dives(unit, start.Add(5*time.Minute), 1),
		late,
		work(retired.Name, start, historypb.Outcome_OUTCOME_CONDEMNED),
		amend(late, start, &historypb.Replacement{OccurredTime: timestamppb.New(gone.Add(-time.Hour)), Detail: &historypb.Replacement_Usage{Usage: late.GetUsage()}}),
		lateWrong, amend(lateWrong, start, nil), amend(lateWrong, start, nil), // amended twice: the later one holds
		visitor, mark,
	)
	read, err := c.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: visitor.GetName()})
	if err != nil || read.GetEntry().GetShop() != other {
		t.Errorf("the stated shop: %v, %v", read, err)
	}
	verify(t, c, orgA, int64(len(got.GetReceipts())))
}

// The first day begins when it does at the shop where the unit began: at UTC+14 half a day before Greenwich, in Hawaii ten hours
// after (offsets of the IANA time zone database). Shops are only asked for when that matters.
func TestCommissioningDay(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	kiritimati := r.registry.shop(orgA, "kiritimati", "Pacific/Kiritimati")
	hawaii := r.registry.shop(orgA, "hawaii", "Pacific/Honolulu")
	r.registry.shop(orgA, "aa", "UTC")
	c := r.client(orgA)
	day := &datepb.Date{Year: 2026, Month: 2, Day: 10}
	for shop, begins := range map[string]time.Time{
		kiritimati: time.Date(2026, 2, 9, 10, 0, 0, 0, time.UTC),
		hawaii:     time.Date(2026, 2, 10, 10, 0, 0, 0, time.UTC),
	} {
		u := r.registry.unit(orgA, shop, day)
		// It has moved since: its first shop counts.
		u.Shop = "orgs/" + orgA + "/shops/aa"
		u.Placements = append(u.Placements, &registrypb.Placement{Shop: u.Shop, StartTime: timestamppb.New(start)})
		appendEntries(t, c, orgA, dives(u.Name, begins, 1))
		_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{dives(u.Name, begins.Add(-time.Microsecond), 1)}})
		wantError(t, err, codes.InvalidArgument, "BEFORE_COMMISSIONING", "entries[0].occurred_time BEFORE_COMMISSIONING")
		before := len(r.registry.calls())
		appendEntries(t, c, orgA, dives(u.Name, begins.AddDate(0, 0, 3), 1))
		if calls := r.registry.calls()[before:]; !slices.Equal(calls, []string{"BatchGetUnits"}) {
			t.Errorf("asked %q about an instant that is surely after", calls)
		}
	}
}

func TestAppendWithoutRegistry(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	r.registry.change(func() { r.registry.down = true })
	e := dives(units[0], start, 1)
	_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{e}})
	wantError(t, err, codes.Unavailable, "UNAVAILABLE")
	if r.count() != 0 {
		t.Error("it wrote what nobody vouched for")
	}
	r.registry.change(func() { r.registry.down = false })
	appendEntries(t, c, orgA, e)
}

// Missing units among many are all found, in a number of calls that depends on how many are missing.
func TestAppendManyMissing(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 300)
	c := r.client(orgA)
	var entries []*historypb.Entry
	for i, u := range units {
		if i == 17 || i == 250 {
			u = "orgs/" + orgA + "/units/" + uuid.NewString()
		}
		entries = append(entries, dives(u, start, 1))
	}
	entries = append(entries, dives(units[0], start, 0))
	_, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: entries})
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "entries[17].name NOT_FOUND", "entries[250].name NOT_FOUND", "entries[300].usage.increment INVALID_FIELD")
	if n := len(r.registry.calls()); n > 40 {
		t.Errorf("%d calls to find 2 of 300", n)
	}
	_, err = c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: entries[:300]})
	st := wantError(t, err, codes.NotFound, "NOT_FOUND")
	if want := entries[17].GetName()[:len(units[0])]; meta(st, "resource") != want || meta(st, "violationCount") != "2" {
		t.Errorf("details do not name %s, one of 2: %v", want, st.Details())
	}
}

// A thousand wrong entries are one answer that says how many there are.
func TestAppendCountsViolations(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	var entries []*historypb.Entry
	for range 1000 {
		entries = append(entries, dives(units[0], start, 0))
	}
	_, err := r.client(orgA).AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: entries})
	st := wantError(t, err, codes.InvalidArgument, "INVALID_FIELD")
	if got := meta(st, "violationCount"); got != "1000" {
		t.Errorf("violationCount is %q", got)
	}
}

func TestValidateOnly(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	known := dives(units[0], start, 1)
	first := appendEntries(t, c, orgA, known)
	fresh := dives(units[0], start, 2)
	got, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{known, fresh}, ValidateOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	want := &historypb.AppendEntriesResponse{Receipts: []*historypb.Receipt{first.GetReceipts()[0], {Entry: fresh.GetName()}}, Position: first.GetPosition()}
	if d := cmp.Diff(want, got, protocmp.Transform()); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if r.count() != 1 {
		t.Error("it wrote")
	}
}

// The machine's clock may be set back; the ledger's instants do not run backwards.
func TestRecordedNeverRunsBack(t *testing.T) {
	t.Parallel()
	ledgers := clock.NewFake(start)
	r := newRig(t, func(c *historyrpc.Config) { c.Clock = ledgers })
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	last := time.Time{}
	for _, step := range []time.Duration{0, time.Minute, -30 * time.Minute, time.Microsecond, 40 * time.Minute} {
		ledgers.Advance(step)
		got := appendEntries(t, c, orgA, dives(units[0], start.Add(-time.Hour), 1)).GetReceipts()[0].GetRecordedTime().AsTime()
		if want := ledgers.Now(); got.Before(last) || got.Before(want) || got.After(want) && !got.Equal(last) {
			t.Errorf("recorded %v after %v, with the clock at %v", got, last, want)
		}
		last = got
	}
	verify(t, c, orgA, 5)
}

// An org never sees what another wrote, and its ledger has numbers of its own.
func TestOrgsAreApart(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, unitsA := r.fleet(orgA, 1)
	_, unitsB := r.fleet(orgB, 1)
	a, b := r.client(orgA), r.client(orgB)
	ea := dives(unitsA[0], start, 1)
	eb := dives(unitsB[0], start, 1)
	eb.Name = unitsB[0] + ea.Name[len(unitsA[0]):] // the same entry id
	appendEntries(t, a, orgA, ea)
	if got := appendEntries(t, b, orgB, eb); got.GetPosition().GetHistory() != 1 {
		t.Errorf("the other org's ledger starts at %v", got.GetPosition())
	}
	appendEntries(t, b, orgB, dives(unitsB[0], start, 2))
	for name, call := range map[string]func(context.Context) error{
		"get": func(ctx context.Context) error {
			_, err := b.GetEntry(ctx, &historypb.GetEntryRequest{Name: ea.Name})
			return err
		},
		"list": func(ctx context.Context) error {
			_, err := b.ListEntries(ctx, &historypb.ListEntriesRequest{Parent: unitsA[0]})
			return err
		},
		"verify": func(ctx context.Context) error {
			_, err := b.VerifyLedger(ctx, &historypb.VerifyLedgerRequest{Name: "orgs/" + orgA})
			return err
		},
		"append": func(ctx context.Context) error {
			_, err := b.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{dives(unitsA[0], start, 1)}})
			return err
		},
	} {
		if err := call(t.Context()); status.Code(err) != codes.PermissionDenied || rpc.Reason(status.Convert(err)) != "ORG_MISMATCH" {
			t.Errorf("%s: %v", name, err)
		}
	}
	// By its own name for the unit, it is not there.
	_, err := b.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: strings.Replace(ea.Name, orgA, orgB, 1)})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	for org, want := range map[string]int{orgA: 1, orgB: 2} {
		list, err := r.client(org).ListEntries(t.Context(), &historypb.ListEntriesRequest{Parent: "orgs/" + org + "/units/-"})
		if err != nil || len(list.GetEntries()) != want {
			t.Errorf("%s lists %d entries, %v; want %d", org, len(list.GetEntries()), err, want)
		}
		verify(t, r.client(org), org, int64(want))
	}
	// A unit of the org that has no such entry: the entry's id alone does not open it.
	_, err = a.GetEntry(t.Context(), &historypb.GetEntryRequest{Name: "orgs/" + orgA + "/units/" + uuid.NewString() + ea.Name[len(unitsA[0]):]})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
}
