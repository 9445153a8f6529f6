package systemtest

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	grpccodes "google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// houseRevision is a revision of the tests' house pack: some months and dives, in force from a day on. Figures are nobody's.
func houseRevision(effective string, months, dives int) string {
	y, m, d := effective[:4], strings.TrimLeft(effective[5:7], "0"), strings.TrimLeft(effective[8:], "0")
	return fmt.Sprintf(`
title: House policy of the tests
effectiveDate: {year: %s, month: %s, day: %s}
rules:
  - {id: regulator, title: Overhaul by months and dives, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [regulator-set, first-stage, second-stage]}, limit: {months: %d, dives: %d}, lead: {days: 30, dives: 10}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT], phaseIn: {days: 20}}
  - {id: bcd, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: %d}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: coated, title: Coating, activity: coating-check, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {where: 'attr("coating") == "yes"'}, limit: {months: 3}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT]}
conditionProofs:
  - {conditions: [free-flow], clearedBy: [overhaul]}
`, y, m, d, months, dives, months)
}

// localPack has a rule of each of the two jurisdictions: what moves changes rules. Invented law, its figures are nobody's.
func localPack(effective string, south int) string {
	y, m, d := effective[:4], strings.TrimLeft(effective[5:7], "0"), strings.TrimLeft(effective[8:], "0")
	return fmt.Sprintf(`
title: Invented laws of two places
effectiveDate: {year: %s, month: %s, day: %s}
rules:
  - {id: gb, title: Law of the north, activity: statutory-test, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [cylinder], jurisdictions: [GB]}, limit: {months: 30, fills: 400}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT, USE_FILL]}
  - {id: au, title: Law of the south, activity: statutory-test, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [cylinder, bcd], jurisdictions: [AU]}, limit: {months: %d}, baselines: [BASELINE_MANUFACTURE], blocks: [USE_HAND_OUT, USE_FILL]}
`, y, m, d, south)
}

// chronicle is a fleet to which things happen while what it answers is written down.
type chronicle struct {
	*fleet
	workshop
	rng     *rand.Rand
	units   []string // in the fleet
	fitted  []string // parts that were fitted to something, once
	entries []*historypb.Entry
	waivers []*compliancepb.Waiver
	holds   []*compliancepb.Hold
	recalls []string
	tried   *compliancepb.RulePack // a revision that is tried and never published
	tag     int
	did     map[string]int
	taken   []answered
}

// answered is a question, without a known time, and what was answered at a moment.
type answered struct {
	moment   time.Time
	question proto.Message
	answer   proto.Message
}

// lastingFleet is a fleet whose clients' tokens hold for years: the clock is moved over months.
func lastingFleet(t testing.TB, s *Stack, org string) *fleet {
	t.Helper()
	f := newFleetOver(t, func(role, org string) *grpc.ClientConn {
		token, err := s.Key.Mint(auth.Claims{Subject: "test:" + role, Role: role, Org: org, Issued: s.Clock.Now(), Expires: s.Clock.Now().AddDate(5, 0, 0)})
		if err != nil {
			t.Fatal(err)
		}
		return s.Anonymous(t, grpc.WithPerRPCCredentials(rpc.BearerToken(token)))
	}, org)
	f.stack = s
	return f
}

func (c *chronicle) now() time.Time { return c.stack.Clock.Now() }

// ago is an instant of the last days, whole minutes before now; days is at least 1.
func (c *chronicle) ago(days int) time.Time {
	return c.now().Add(-time.Duration(1+c.rng.IntN(days*24*60)) * time.Minute)
}

func (c *chronicle) any() string { return c.units[c.rng.IntN(len(c.units))] }

// ok counts what was done. What the registry refuses, because of other events or because there is nothing to do it to, has not happened.
func (c *chronicle) ok(what string, p *typepb.Position, err error) {
	c.t.Helper()
	switch status.Code(err) {
	case grpccodes.OK:
		c.saw(p)
		c.did[what]++
	case grpccodes.FailedPrecondition, grpccodes.InvalidArgument, grpccodes.NotFound:
		c.did[what+" refused: "+reasonOf(err)]++
	default:
		c.t.Fatalf("%s: %v", what, err)
	}
}

// tries does something until it is done, a few times.
func (c *chronicle) tries(what string, do func()) func() {
	return func() {
		for n, before := 0, c.did[what]; n < 12 && c.did[what] == before; n++ {
			do()
		}
	}
}

func (c *chronicle) log(what string, entries ...*historypb.Entry) {
	c.t.Helper()
	r, err := c.history.AppendEntries(c.t.Context(), &historypb.AppendEntriesRequest{Parent: c.org, Entries: entries})
	c.ok(what, r.GetPosition(), err)
	if err == nil {
		c.entries = append(c.entries, entries...)
	}
}

func (c *chronicle) arrives(kind, shop string) {
	c.t.Helper()
	c.tag++
	r, err := c.registry.CreateUnit(c.t.Context(), &registrypb.CreateUnitRequest{Parent: c.org, RequestId: uuid.NewString(), Unit: &registrypb.Unit{
		AssetTag: fmt.Sprintf("V-%02d", c.tag), Model: c.org + "/models/" + kind, Shop: c.org + "/shops/" + shop,
		ManufactureDate: &date.Date{Year: 2024, Month: int32(1 + c.rng.IntN(12))}, CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1 + int32(c.rng.IntN(20))},
	}})
	if c.ok("a unit arrives", r.GetPosition(), err); err == nil {
		c.units = append(c.units, r.GetUnit().GetName())
	}
}

// questions are some of those about a moment, about what was before it and what comes after it: they are written down.
func (c *chronicle) questions() (out []proto.Message) {
	moment := c.now()
	instants := []time.Time{moment, moment.Add(-time.Duration(c.rng.IntN(50*24*60)) * time.Minute), moment.Add(time.Duration(c.rng.IntN(300*24*60)) * time.Minute)}
	for _, at := range instants {
		instant := timestamppb.New(at)
		units := c.org + "/units/-"
		out = append(out,
			&compliancepb.ListDueRequest{Parent: c.org, Instant: instant, HorizonDays: int32(c.rng.IntN(400)), PageSize: 1000},
			&compliancepb.ListDueRequest{Parent: c.org, Instant: instant, HorizonDays: int32(c.rng.IntN(200)), LimitKind: compliancepb.LimitKind_LIMIT_KIND_USAGE, PageSize: 1000},
			&compliancepb.ListDueRequest{Parent: c.org, Instant: instant, HorizonDays: 365, Shop: c.org + "/shops/south", PageSize: 1000},
			&compliancepb.ListHoldsRequest{Parent: units, Instant: instant, IncludeLifted: c.rng.IntN(2) == 0, PageSize: 1000},
			&compliancepb.SummarizeFleetRequest{Parent: c.org, Instant: instant, HorizonDays: 60},
			&compliancepb.BatchGetStandingsRequest{Parent: c.org, Instant: instant, Units: slices.Clone(c.units)},
			&compliancepb.GetStandingRequest{Unit: c.any(), Instant: instant},
			&compliancepb.ExplainUnitRequest{Unit: c.any(), Instant: instant},
			&compliancepb.ExplainUnitRequest{Unit: c.any(), Instant: instant},
			&compliancepb.ForecastUnitRequest{Unit: c.any(), Instant: instant},
			&compliancepb.ListWaiversRequest{Parent: units, Instant: instant, PageSize: 1000},
			&compliancepb.ListRulePacksRequest{Parent: c.org, Instant: instant},
			&compliancepb.GetRulePackRequest{Name: c.org + "/rulePacks/" + []string{"house", "local"}[c.rng.IntN(2)]},
			&compliancepb.TryRulePackRequest{Parent: c.org, RulePackId: "house", RulePack: c.tried, Instant: instant, HorizonDays: 200},
		)
	}
	c.rng.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out[:min(len(out), rounds.Of(len(out)/3))]
}

// ask asks a question, as known at a moment if one is given. Positions are left out of the answer, and so is the known time it repeats.
func (c *chronicle) ask(question proto.Message, known time.Time) proto.Message {
	c.t.Helper()
	q := proto.Clone(question)
	m := q.ProtoReflect()
	fields := m.Descriptor().Fields()
	if !known.IsZero() {
		m.Set(fields.ByName("known_time"), protoreflect.ValueOfMessage(timestamppb.New(known).ProtoReflect()))
	}
	if f := fields.ByName("at_least"); f != nil {
		m.Set(f, protoreflect.ValueOfMessage(c.position.ProtoReflect()))
	}
	ctx := c.t.Context()
	var a proto.Message
	var err error
	switch q := q.(type) {
	case *compliancepb.ListDueRequest:
		a, err = c.compliance.ListDue(ctx, q)
	case *compliancepb.ListHoldsRequest:
		a, err = c.compliance.ListHolds(ctx, q)
	case *compliancepb.SummarizeFleetRequest:
		a, err = c.compliance.SummarizeFleet(ctx, q)
	case *compliancepb.BatchGetStandingsRequest:
		a, err = c.compliance.BatchGetStandings(ctx, q)
	case *compliancepb.GetStandingRequest:
		a, err = c.compliance.GetStanding(ctx, q)
	case *compliancepb.ExplainUnitRequest:
		a, err = c.compliance.ExplainUnit(ctx, q)
	case *compliancepb.ForecastUnitRequest:
		a, err = c.compliance.ForecastUnit(ctx, q)
	case *compliancepb.ListWaiversRequest:
		a, err = c.compliance.ListWaivers(ctx, q)
	case *compliancepb.ListRulePacksRequest:
		a, err = c.compliance.ListRulePacks(ctx, q)
	case *compliancepb.GetRulePackRequest:
		a, err = c.compliance.GetRulePack(ctx, q)
	case *compliancepb.TryRulePackRequest:
		a, err = c.compliance.TryRulePack(ctx, q)
	default:
		c.t.Fatalf("%T is not asked", q)
	}
	if err != nil {
		c.t.Fatalf("%T %v: %v", q, q, err)
	}
	forget(a.ProtoReflect())
	return a
}

// forget clears positions and known times, wherever they are.
func forget(m protoreflect.Message) {
	m.Range(func(fd protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		switch {
		case fd.Name() == "position" || fd.Name() == "known_time":
			m.Clear(fd)
		case fd.IsList() && fd.Kind() == protoreflect.MessageKind:
			for i := range v.List().Len() {
				forget(v.List().Get(i).Message())
			}
		case !fd.IsList() && !fd.IsMap() && fd.Kind() == protoreflect.MessageKind:
			forget(v.Message())
		}
		return true
	})
}

// TestAsKnownIsWhatWasAnswered is the two times through the whole stack. Things happen in any order, many late and some corrected: usage,
// work, service orders, transfers, fittings, retirements, changes of units and models, waivers, holds, recalls, and revisions of packs, one in force later and one in the
// past. After each, questions about the moment, the past and the future are answered and written down. Afterwards the same questions as
// known at the moment have the answers that were given, to the letter; also after the projection was built again.
func TestAsKnownIsWhatWasAnswered(t *testing.T) {
	inTurn(t)
	t.Parallel()
	c := &chronicle{fleet: lastingFleet(t, Start(t), "versions"), rng: rand.New(rand.NewPCG(rounds.Seed(t), 7)), did: map[string]int{}}
	c.tried = &compliancepb.RulePack{}
	if err := protoyaml.Unmarshal([]byte(houseRevision("2026-12-01", 5, 40)), c.tried); err != nil {
		t.Fatal(err)
	}
	c.stack.Clock.Advance(time.Minute)
	c.publish("house", houseRevision("2026-01-01", 12, 100))
	c.publish("local", localPack("2020-01-01", 28))
	for _, kind := range []string{"regulator-set", "first-stage", "second-stage", "bcd", "cylinder", "cylinder", "bcd", "regulator-set", "first-stage"} {
		c.arrives(kind, "north")
	}
	c.fit(c.units[1], c.units[0], c.ago(60))
	c.fit(c.units[2], c.units[1], c.ago(1))
	c.fitted = []string{c.units[1], c.units[2]}
	c.bench()
	steps := c.steps()
	maps.Copy(steps, c.orderSteps())
	var story []string
	for name := range steps {
		story = append(story, name)
	}
	slices.Sort(story)
	again := slices.DeleteFunc(slices.Clone(story), func(s string) bool { return strings.Contains(s, "is revised") }) // a revision is published once
	for range 6 {
		story = append(story, again[c.rng.IntN(len(again))])
	}
	c.rng.Shuffle(len(story), func(i, j int) { story[i], story[j] = story[j], story[i] })
	story = append([]string{
		"usage", "an order is opened", "an order is opened", "late usage", "a waiver is granted", "a waiver is granted", "parts are put in", "an order is opened", "work", "a waiver is granted", "a recall is opened", "a recall is opened", "an order is opened",
	}, story...)
	story = append(story, "parts are put in", "an order is closed", "a waiver is revoked", "a recall is opened", "a recall is opened", "a unit is released", "a waiver is revoked", "a recall is withdrawn")
	rebuild := len(story) / 2
	for i, name := range story {
		c.stack.Clock.Advance(time.Duration(1+c.rng.IntN(5*24*60)) * time.Minute)
		steps[name]()
		if i == rebuild {
			c.rebuild()
		}
		for _, q := range c.questions() {
			c.taken = append(c.taken, answered{c.now(), q, c.ask(q, time.Time{})})
		}
	}
	for _, what := range []string{"usage", "late usage", "work", "late work", "an amendment", "a transfer", "a unit changes", "a model changes", "a unit arrives", "a waiver is granted", "a waiver is revoked", "a hold is placed", "a recall is opened", "a unit is released", "a recall is withdrawn", "an order is opened", "parts are put in", "an order is signed", "an order is closed"} {
		if c.did[what] == 0 {
			t.Errorf("nothing of %q happened: %v", what, c.did)
		}
	}
	c.stack.Clock.Advance(time.Hour)
	c.compare("")
	c.rebuild()
	c.compare("after a rebuild, ")
	changed, asked := map[string]int{}, map[string]int{}
	for _, was := range c.taken {
		kind := string(was.question.ProtoReflect().Descriptor().Name())
		asked[kind]++
		if !proto.Equal(was.answer, c.ask(was.question, time.Time{})) {
			changed[kind]++
		}
	}
	t.Logf("happened: %v; asked %v, of which by what is known now another answer: %v", c.did, asked, changed)
	for kind := range asked {
		if changed[kind] == 0 {
			t.Errorf("no %s has another answer by what is known now: it shows nothing", kind)
		}
	}
}

func (c *chronicle) rebuild() {
	c.t.Helper()
	r, err := c.compliance.RebuildProjection(c.t.Context(), &compliancepb.RebuildProjectionRequest{Parent: c.org, RequestId: uuid.NewString()})
	if err != nil {
		c.t.Fatal(err)
	}
	c.saw(r.GetPosition())
}

// compare asks every question again as known at its moment.
func (c *chronicle) compare(when string) {
	c.t.Helper()
	wrong := 0
	for _, was := range c.taken {
		if diff := cmp.Diff(was.answer, c.ask(was.question, was.moment), protocmp.Transform()); diff != "" {
			if wrong++; wrong > 8 {
				continue
			}
			c.t.Errorf("%s%s %v\nanswered at %v (-), as known then (+):\n%s", when, was.question.ProtoReflect().Descriptor().Name(), was.question, was.moment, diff)
		}
	}
	if wrong > 0 {
		c.t.Errorf("%s%d of %d answers are not what was answered", when, wrong, len(c.taken))
	}
}

// TestThePastIsCorrected: a question about the past is answered by what is known now, late work and corrections included; as known then it is
// answered as it was, on the very day, in three things that became known later: dives logged late, a test that was amended, and a rule that
// was published with effect in the past.
func TestThePastIsCorrected(t *testing.T) {
	t.Parallel()
	f := lastingFleet(t, Start(t), "corrected")
	at := func(day int) time.Time { return time.Date(2026, 6, day, 12, 0, 0, 0, time.UTC) }
	until := func(day int) { f.stack.Clock.Advance(at(day).Sub(f.stack.Clock.Now())) }
	until(2)
	reg, cyl, bcd := f.unit("regulator-set", "R-1"), f.unit("cylinder", "C-1"), f.unit("bcd", "B-1")
	until(3)
	failed := tested(cyl, at(3), "hydrostatic-test", historypb.Outcome_OUTCOME_FAIL)
	f.append(failed)
	day := at(10)
	check := func(what, unit string, at, known time.Time, want ...typepb.Reason) {
		t.Helper()
		if got := codes(f.standingAt(unit, at, known)); !slices.Equal(got, want) {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	until(10)
	check("dives, that day", reg, day, time.Time{})
	check("the test, that day", cyl, day, time.Time{}, typepb.Reason_REASON_HOLD_OPEN)
	check("the rule, that day", bcd, day, time.Time{})

	until(20)
	f.append(dives(reg, at(5), 100)) // the limit is 100
	f.append(amended(cyl, at(20), failed, "it was another cylinder", nil))
	f.publish("extra", `
title: In force before it was published
effectiveDate: {year: 2026, month: 6, day: 8}
rules:
  - {id: weekly, title: A weekly look, activity: look, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [bcd]}, limit: {months: 1}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`)
	for _, when := range []string{"", "rebuilt, "} {
		check(when+"dives, by what is known now", reg, day, time.Time{}, typepb.Reason_REASON_USAGE_LIMIT_REACHED)
		check(when+"the test, by what is known now", cyl, day, time.Time{})
		check(when+"the rule, by what is known now", bcd, day, time.Time{}, typepb.Reason_REASON_DATE_LIMIT_PASSED)
		check(when+"the rule, the day before it was in force", bcd, at(7), time.Time{})
		for _, known := range []time.Time{day, at(20).Add(-time.Microsecond)} {
			check(when+"dives, as known before they were logged", reg, day, known)
			check(when+"the test, as known before it was amended", cyl, day, known, typepb.Reason_REASON_HOLD_OPEN)
			check(when+"the rule, as known before it was published", bcd, day, known)
		}
		check(when+"dives, as known when they were logged", reg, day, at(20), typepb.Reason_REASON_USAGE_LIMIT_REACHED)
		if _, err := f.compliance.RebuildProjection(t.Context(), &compliancepb.RebuildProjectionRequest{Parent: f.org, RequestId: uuid.NewString()}); err != nil {
			t.Fatal(err)
		}
	}
	// Before it was registered nothing was known of a unit, whatever day is asked about.
	known := timestamppb.New(at(2).Add(-time.Hour))
	for _, err := range []error{
		second(f.compliance.GetStanding(t.Context(), &compliancepb.GetStandingRequest{Unit: reg, KnownTime: known, AtLeast: f.position})),
		second(f.compliance.ExplainUnit(t.Context(), &compliancepb.ExplainUnitRequest{Unit: reg, KnownTime: known})),
		second(f.compliance.ForecastUnit(t.Context(), &compliancepb.ForecastUnitRequest{Unit: reg, KnownTime: known})),
		second(f.compliance.BatchGetStandings(t.Context(), &compliancepb.BatchGetStandingsRequest{Parent: f.org, Units: []string{reg}, KnownTime: known})),
	} {
		if reasonOf(err) != "NOT_FOUND" || !strings.Contains(status.Convert(err).Message(), "R-1 was not on record yet at 2026-06-02T11:00:00Z") {
			t.Errorf("as known before it was registered: %v", err)
		}
	}
	l, err := f.compliance.ListDue(t.Context(), &compliancepb.ListDueRequest{Parent: f.org, KnownTime: known, HorizonDays: 3650})
	if err != nil || len(l.GetItems()) != 0 {
		t.Errorf("listed before it was registered: %v %v", l, err)
	}
}

func second[T any](_ T, err error) error { return err }
