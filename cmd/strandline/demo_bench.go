package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/spf13/cobra"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/timestamppb"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/testdata/demo"
)

// What the demo's bench works on, and with.
const (
	benchUnit  = "GB-SND-003"
	benchSet   = "GB-REG-003" // that it is fitted to
	benchShop  = "kelpquay"
	benchGauge = "GB-INS-002"
	benchBy    = "ines"
)

// benchInstruments are units like others, of kinds that no shop hands out.
var benchInstruments = []struct{ tag, model, kind, name, serial string }{
	{"GB-INS-001", "bench-manometer", "water-manometer", "Bench manometer", "TM-0417"},
	{benchGauge, "bench-ip-gauge", "intermediate-pressure-gauge", "Bench gauge, intermediate pressure", "TM-2208"},
}

// benchLots are what the overhaul takes parts from.
var benchLots = []struct{ part, title string }{
	{"seat", "Seat, B second stage"}, {"orifice-seal", "O-ring, orifice"}, {"adjuster-seal", "O-ring, adjuster"}, {"inlet-seal", "O-ring, inlet"}, {"mouthpiece-tie", "Tie, mouthpiece"},
}

func newDemoBenchCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "bench",
		Short: "play one service at the bench of the demo's chain, from intake to certificate",
		Long: `Plays the overhaul of a second stage through the public API, after 'strandline demo' has brought the chain in: the first test fails and pulls the stage
and the set it is fitted to; it is overhauled, and tested again; the signature is refused until every seal is accounted for; the certificate
says what was done. The day after, a calibration finds the gauge out of tolerance that the stage was tested with, and pulls it again.

What is recorded stands in testdata/demo/bench, as 'strandline orders record' takes it. A second run finds it played and shows what it came to.`,
		Example: `  strandline demo && strandline demo bench
  strandline orders show GB-SND-003`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return a.demoBench(cmd.Context()) },
	}
}

// benchRun is one run.
type benchRun struct {
	app     *app
	c       *clients
	reached *typepb.Position
	units   map[string]*registrypb.Unit // by tag
	order   string
}

// id makes ids that are the same in every run.
func (r *benchRun) id(words ...string) string {
	return uuid.NewSHA1(uuid.NameSpaceOID, []byte("demo bench "+strings.Join(words, " "))).String()
}

func (a *app) demoBench(ctx context.Context) error {
	a.talkf("A service at the bench of an invented chain. Nothing in it is real. Local code, the maker's manual and licensed practice come first.")
	c, err := a.connectAs(ctx, a.set.Role, demoOrg)
	if err != nil {
		return err
	}
	r := &benchRun{app: a, c: c, reached: &typepb.Position{}, units: map[string]*registrypb.Unit{}}
	r.order = c.Org.Name() + "/orders/" + r.id("order")
	if err := r.furnish(ctx); err != nil {
		return err
	}
	o, err := c.Orders.GetOrder(ctx, &historypb.GetOrderRequest{Name: r.order})
	switch {
	case err == nil && o.GetOrder().GetSignTime() != nil:
		a.printf("The service was played before.\n\n")
	case err == nil || status.Code(err) == codes.NotFound:
		if err := r.play(ctx); err != nil {
			return err
		}
	default:
		return err
	}
	if err := r.certificate(ctx); err != nil {
		return err
	}
	return r.outOfTolerance(ctx)
}

// furnish has the instruments and lots there.
func (r *benchRun) furnish(ctx context.Context) error {
	for _, tag := range []string{benchUnit, benchSet} {
		u, err := r.c.unit(ctx, tag)
		if status.Code(err) == codes.NotFound {
			return usagef("the demo's chain is not there yet: run 'strandline demo' first, with the same --data")
		}
		if err != nil {
			return err
		}
		r.units[tag] = u
	}
	parent := r.c.Org.Name()
	for _, i := range benchInstruments {
		_, err := r.c.Registry.CreateModel(ctx, &registrypb.CreateModelRequest{Parent: parent, ModelId: i.model, Model: &registrypb.Model{DisplayName: i.name, Kind: i.kind, Maker: "Tidemark"}})
		if err != nil && status.Code(err) != codes.AlreadyExists {
			return err
		}
		u, err := r.c.Registry.CreateUnit(ctx, &registrypb.CreateUnitRequest{Parent: parent, UnitId: r.id("unit", i.tag), Unit: &registrypb.Unit{
			AssetTag: i.tag, SerialNumber: i.serial, Model: r.c.model(i.model), Shop: r.c.shop(benchShop), CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 5},
		}})
		if err != nil && status.Code(err) != codes.AlreadyExists {
			return err
		}
		later(r.reached, u.GetPosition())
		if r.units[i.tag], err = r.c.unit(ctx, i.tag); err != nil {
			return err
		}
		calibration := &historypb.Test{
			Activity: "calibration", Outcome: historypb.Outcome_OUTCOME_PASS, Provider: "Tidemark calibration laboratory (invented)",
			Calibration: &historypb.Calibration{ThroughDate: &date.Date{Year: 2027, Month: 1, Day: 31}, Certificate: "TM-26-" + i.serial},
		}
		if err := r.append(ctx, i.tag, time.Date(2026, 1, 12, 10, 0, 0, 0, time.UTC), r.id("calibration", i.tag), calibration); err != nil {
			return err
		}
	}
	for _, l := range benchLots {
		_, err := r.c.Lots.CreateLot(ctx, &historypb.CreateLotRequest{Parent: parent, LotId: "tide-" + l.part + "-26", Lot: &historypb.Lot{
			Part: l.part, Title: l.title, LotNumber: "B26-" + strings.ToUpper(l.part[:2]), Supplier: "Brinewell", ExpireDate: &date.Date{Year: 2029, Month: 6}, Quantity: 40,
		}})
		if err != nil {
			return err
		}
	}
	return nil
}

// append records a test of a unit.
func (r *benchRun) append(ctx context.Context, tag string, at time.Time, id string, test *historypb.Test) error {
	out, err := r.c.History.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: r.c.Org.Name(), Entries: []*historypb.Entry{{
		Name: r.units[tag].GetName() + "/entries/" + id, OccurredTime: timestamppb.New(at), Detail: &historypb.Entry_Test{Test: test},
	}}})
	if err != nil {
		return err
	}
	r.saw(out.GetPosition())
	return nil
}

func (r *benchRun) saw(p *typepb.Position) {
	later(r.reached, p)
	r.c.wrote(p)
}

func (r *benchRun) head(format string, args ...any) {
	r.app.printf("%s\n", fmt.Sprintf(format, args...))
}

func (r *benchRun) say(format string, args ...any) {
	r.app.paragraph(r.app.out, "  ", fmt.Sprintf(format, args...))
}

// play works the order from intake to signature.
func (r *benchRun) play(ctx context.Context) error {
	opened, err := r.c.Orders.OpenOrder(ctx, &historypb.OpenOrderRequest{
		Parent: r.c.Org.Name(), OrderId: lastID(r.order), Unit: r.units[benchUnit].GetName(), Procedure: "second-stage-overhaul", OccurredTime: timestamppb.New(time.Date(2026, 11, 20, 9, 0, 0, 0, time.UTC)),
		Technician: r.c.technician(benchBy), Intake: "breathes hard, says the last diver; salt in the cover",
	})
	if err != nil {
		return err
	}
	r.saw(opened.GetPosition())
	r.head("Intake of %s, %s", benchUnit, opened.GetProcedure().GetTitle())
	r.say("%s", opened.GetOrder().GetIntake())
	if err := r.standing(ctx); err != nil {
		return err
	}
	if err := r.record(ctx, "The first test", "as-found.yaml"); err != nil {
		return err
	}
	if err := r.record(ctx, "The overhaul, sent when the bench had a connection again", "overhaul.yaml"); err != nil {
		return err
	}
	r.head("The signature")
	sign := &historypb.SignOrderRequest{
		Name: r.order, EventId: r.id("signature"), OccurredTime: timestamppb.New(time.Date(2026, 11, 20, 10, 45, 0, 0, time.UTC)), Technician: r.c.technician(benchBy), Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS,
	}
	_, err = r.c.Orders.SignOrder(ctx, sign)
	if status.Code(err) != codes.FailedPrecondition {
		return fmt.Errorf("an order with a tie that is not accounted for was to be refused: %w", err)
	}
	r.say("Refused: %s.", strings.TrimSuffix(status.Convert(err).Message(), "."))
	if err := r.record(ctx, "What was missing", "tie.yaml"); err != nil {
		return err
	}
	r.head("The signature, again")
	signed, err := r.c.Orders.SignOrder(ctx, sign)
	if err != nil {
		return err
	}
	r.saw(signed.GetPosition())
	r.say("Signed by %s at %s.", lastID(signed.GetOrder().GetSigner()), signed.GetOrder().GetSignTime().AsTime().Format(time.RFC3339))
	return r.standing(ctx)
}

// record records a file of the demo.
func (r *benchRun) record(ctx context.Context, title, file string) error {
	raw, err := demo.Files.ReadFile("bench/" + file)
	if err != nil {
		return err
	}
	events, err := r.app.parseEvents(ctx, r.c, "testdata/demo/bench/"+file, raw, orderFile{order: r.order, by: r.c.technician(benchBy), now: r.app.clk.Now()})
	if err != nil {
		return err
	}
	out, err := r.c.Orders.RecordWork(ctx, &historypb.RecordWorkRequest{Name: r.order, Events: events})
	if err != nil {
		return err
	}
	r.saw(out.GetPosition())
	r.head("%s (testdata/demo/bench/%s)", title, file)
	r.say("%s recorded.", plural(int64(len(events)), "event"))
	for _, e := range out.GetOrder().GetEvents() {
		if m := e.GetTestMade(); m != nil {
			r.say("%s: %s.", m.GetTest(), verdictWord(m.GetJudgement().GetVerdict()))
			for _, c := range m.GetJudgement().GetResults() {
				r.app.paragraph(r.app.out, "    ", c.GetSentence())
			}
		}
	}
	return r.standing(ctx)
}

// standing tells what the unit and its set are held for.
func (r *benchRun) standing(ctx context.Context) error {
	for _, tag := range []string{benchUnit, benchSet} {
		s, err := r.c.Compliance.GetStanding(ctx, &compliancepb.GetStandingRequest{Unit: r.units[tag].GetName(), AtLeast: r.reached})
		if err != nil {
			return err
		}
		var holds []string
		for _, h := range s.GetStanding().GetHolds() {
			why := strings.TrimSuffix(h.GetReason(), ".")
			if lifts := liftsAll([][]string{h.GetClearedBy()}); lifts != "" {
				why += " (lifted by: " + lifts + ")"
			}
			if !slices.Contains(holds, why) {
				holds = append(holds, why)
			}
		}
		if len(holds) == 0 {
			r.say("%s has no open hold.", tag)
			continue
		}
		r.say("%s is pulled. %s.", tag, strings.Join(holds, ". "))
	}
	r.app.printf("\n")
	return nil
}

// certificate shows what the certificate of the service says, in short.
func (r *benchRun) certificate(ctx context.Context) error {
	out, err := r.c.Certificates.GetCertificate(ctx, &compliancepb.GetCertificateRequest{Name: r.order + "/certificate", AtLeast: r.reached, Instant: timestamppb.New(time.Date(2026, 11, 20, 11, 0, 0, 0, time.UTC))})
	if err != nil {
		return err
	}
	c := out.GetCertificate()
	r.head("The certificate, in short (whole: strandline certificate %s)", lastID(r.order))
	r.say("%s, serial number %s, %s: %s, revision %d.", c.GetUnit().GetAssetTag(), c.GetUnit().GetSerialNumber(), c.GetUnit().GetModelDisplayName(), c.GetProcedure().GetTitle(), c.GetProcedure().GetRevision())
	for _, w := range c.GetWork() {
		r.say("Performed: %s, %s.", strings.ReplaceAll(strings.Join(w.GetActivities(), ", "), "-", " "), strings.ToLower(strings.TrimPrefix(w.GetOutcome().String(), "OUTCOME_")))
	}
	var tests, instruments, lots []string
	for _, t := range c.GetTests() {
		tests = append(tests, fmt.Sprintf("%s %s", t.GetTitle(), verdictWord(t.GetJudgement().GetVerdict())))
		for _, i := range t.GetInstruments() {
			if !slices.Contains(instruments, i.GetAssetTag()) {
				instruments = append(instruments, i.GetAssetTag())
			}
		}
	}
	for _, p := range c.GetParts() {
		for _, l := range p.GetLots() {
			lots = append(lots, fmt.Sprintf("%d of %s (%s)", l.GetFitted(), l.GetTitle(), l.GetLotNumber()))
		}
	}
	r.say("Steps: %d. Tests: %s; with %s.", len(c.GetSteps()), strings.Join(tests, ", "), strings.Join(instruments, " and "))
	r.say("New parts: %s.", strings.Join(lots, ", "))
	q := c.GetSignature().GetQualification()
	r.say("Signed by %s, qualified for %s by %s.", q.GetPerson(), q.GetActivity(), q.GetIssuer())
	r.say("%s", c.GetStatement())
	r.app.printf("\n")
	return nil
}

// outOfTolerance has a laboratory find the gauge out of tolerance.
func (r *benchRun) outOfTolerance(ctx context.Context) error {
	r.head("The day after: a laboratory finds the gauge %s out of tolerance", benchGauge)
	err := r.append(ctx, benchGauge, time.Date(2026, 11, 21, 7, 0, 0, 0, time.UTC), r.id("found", benchGauge), &historypb.Test{
		Activity: "calibration", Outcome: historypb.Outcome_OUTCOME_FAIL, Provider: "Tidemark calibration laboratory (invented)",
	})
	if err != nil {
		return err
	}
	uses, err := r.c.Orders.ListInstrumentUses(ctx, &historypb.ListInstrumentUsesRequest{Parent: r.units[benchGauge].GetName(), PageSize: 1000})
	if err != nil {
		return err
	}
	r.say("It made %s since its last good calibration.", plural(int64(len(uses.GetUses())), "test"))
	return r.standing(ctx)
}
