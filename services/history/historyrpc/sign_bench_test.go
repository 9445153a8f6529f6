package historyrpc_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// longProcedure has 60 steps, 5 tests of 5 readings each, and 14 parts that are replaced.
func longProcedure() string {
	var b strings.Builder
	b.WriteString(`revision: 1
title: A long service
kinds: [regulator-set]
purpose: overhaul
activities: [overhaul]
qualification: overhaul
cautions: [Local code and the maker's manual win over this procedure.]
parts:
`)
	for i := range 14 {
		fmt.Fprintf(&b, "  - {id: seal-%d, title: seal, policy: PART_POLICY_REPLACE}\n", i)
	}
	b.WriteString("tests:\n")
	for i := range 5 {
		fmt.Fprintf(&b, "  - activity: function-test\n    spec:\n      id: test-%d\n      title: Test\n      readings:\n", i)
		for n := range 5 {
			fmt.Fprintf(&b, "        - {name: r%d, kind: READING_KIND_QUANTITY, unit: bar, reference: PRESSURE_REFERENCE_GAUGE}\n", n)
		}
		b.WriteString("      criteria:\n")
		for n := range 5 {
			fmt.Fprintf(&b, "        - {id: c%d, of: r%d, comparison: COMPARISON_AT_MOST, high: 10 bar gauge, decisionRule: DECISION_RULE_SIMPLE, source: {document: \"common practice, no source\"}}\n", n, n)
		}
	}
	b.WriteString("steps:\n")
	for i := range 60 {
		fmt.Fprintf(&b, "  - id: step-%d\n    do: Do it.\n    critical: true\n", i)
		switch {
		case i < 14:
			fmt.Fprintf(&b, "    removes: [{part: seal-%d}]\n", i)
		case i >= 20 && i < 34:
			fmt.Fprintf(&b, "    fits: [{part: seal-%d}]\n", i-20)
		case i >= 50 && i < 55:
			fmt.Fprintf(&b, "    tests: [{test: test-%d}]\n", i-50)
		}
	}
	return b.String()
}

// BenchmarkSignOrder signs an order of 60 steps, 25 readings and 14 parts, all of it sent with the signature in one call and written in one transaction, through the
// whole stack (gRPC, token, validation, a real registry, row-level security, judging, chain). The other side is an empty unary call through the same chain and a raw
// transaction that writes the same rows to the same tables by a superuser. The sides take turns; it reports the ratio of medians, which should be at most 3.
func BenchmarkSignOrder(b *testing.B) {
	r, registry := withRegistry(b)
	for _, t := range []*registrypb.Technician{{DisplayName: "Ines", Qualifications: []*registrypb.Technician_Qualification{{Activity: "overhaul"}}}} {
		if _, err := registry.CreateTechnician(b.Context(), &registrypb.CreateTechnicianRequest{Parent: "orgs/" + orgA, TechnicianId: "ines", Technician: t}); err != nil {
			b.Fatal(err)
		}
	}
	token, err := r.key.Mint(auth.Claims{Subject: "chief", Role: auth.RoleChainManager, Org: orgA, Issued: r.clock.Now(), Expires: r.clock.Now().Add(1000 * time.Hour)})
	if err != nil {
		b.Fatal(err)
	}
	conn := r.dial(r.server, rpc.BearerToken(token))
	orders, lots := historypb.NewOrderServiceClient(conn), historypb.NewLotServiceClient(conn)
	published, err := historypb.NewProcedureServiceClient(conn).PublishProcedures(b.Context(), &historypb.PublishProceduresRequest{Parent: "orgs/" + orgA, Source: longProcedure(), ProcedureId: "long-service"})
	if err != nil {
		b.Fatal(err)
	}
	p := published.GetProcedures()[0].GetProcedure()
	for _, part := range p.GetParts() {
		if _, err := lots.CreateLot(b.Context(), &historypb.CreateLotRequest{Parent: "orgs/" + orgA, LotId: "lot-" + part.GetId(), Lot: &historypb.Lot{Part: part.GetId(), Title: "seal"}}); err != nil {
			b.Fatal(err)
		}
	}
	admin := r.admin()
	var ours, empty, raw []time.Duration
	n := 0
	units := register(b, registry, "quay", &datepb.Date{Year: 2024, Month: 1, Day: 10}, 1000)
	for round := 0; b.Loop(); round++ {
		b.StopTimer()
		unit := units[round%len(units)]
		opened, err := orders.OpenOrder(b.Context(), &historypb.OpenOrderRequest{
			Parent: "orgs/" + orgA, OrderId: uuid.NewString(), Unit: unit, Procedure: "long-service", OccurredTime: timestamppb.New(start.Add(-time.Hour)), Technician: "orgs/" + orgA + "/technicians/ines",
		})
		if err != nil {
			b.Fatal(err)
		}
		req := &historypb.SignOrderRequest{
			Name: opened.GetOrder().GetName(), EventId: uuid.NewString(), OccurredTime: timestamppb.New(start.Add(-time.Minute)), Technician: "orgs/" + orgA + "/technicians/ines",
			Outcome: historypb.SignatureOutcome_SIGNATURE_OUTCOME_PASS, Events: longWork(p),
		}
		b.StartTimer()
		began := time.Now()
		signed, err := orders.SignOrder(b.Context(), req)
		ours = append(ours, time.Since(began))
		if err != nil {
			b.Fatal(err)
		}
		began = time.Now()
		if _, err := historypb.NewBenchServiceClient(conn).Judge(b.Context(), emptyJudge); err == nil {
			b.Fatal("an empty request was judged")
		}
		empty = append(empty, time.Since(began))

		b.StopTimer()
		tables := map[string][][]any{}
		names := map[string][]string{}
		for _, t := range []string{"entries", "instrument_uses", "part_uses", "order_ends"} {
			names[t], tables[t] = rowsAfter(b, admin, t, opened.GetPosition().GetHistory())
		}
		n = len(tables["entries"])
		if int64(n) != signed.GetPosition().GetHistory()-opened.GetPosition().GetHistory() {
			b.Fatalf("%d rows to position %d after %d", n, signed.GetPosition().GetHistory(), opened.GetPosition().GetHistory())
		}
		b.StartTimer()
		began = time.Now()
		tx, err := admin.Begin(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		for _, t := range []string{"entries", "instrument_uses", "part_uses", "order_ends"} {
			if len(tables[t]) == 0 {
				continue
			}
			if _, err := tx.CopyFrom(b.Context(), pgx.Identifier{"history", t}, names[t], pgx.CopyFromRows(tables[t])); err != nil {
				b.Fatal(err)
			}
		}
		if _, err := tx.Exec(b.Context(), `insert into history.heads values ($1, 'raw', 1, sha256('x'), now()) on conflict (org_id) do update set number = history.heads.number + 1`, tenant.Must(orgB).UUID); err != nil {
			b.Fatal(err)
		}
		if err := tx.Commit(b.Context()); err != nil {
			b.Fatal(err)
		}
		raw = append(raw, time.Since(began))
	}
	if len(ours) < 2 {
		return // the first round of a benchmark warms up
	}
	for _, d := range [][]time.Duration{ours, empty, raw} {
		slices.Sort(d)
	}
	median := func(d []time.Duration) time.Duration { return d[len(d)/2] }
	ratio := median(ours).Seconds() / (median(empty) + median(raw)).Seconds()
	b.ReportMetric(ratio, "ratio")
	b.Logf("signing %d rows %v; an empty call %v and the same rows raw %v; ratio %.2f", n, median(ours), median(empty), median(raw), ratio)
}

// emptyJudge is refused before anything is judged: what is left is the call.
var emptyJudge = &historypb.JudgeRequest{}

// rowsAfter returns the rows of a table of history that were written for orgA after a sequence, as they would be for orgB.
func rowsAfter(b *testing.B, conn *pgx.Conn, table string, after int64) (names []string, out [][]any) {
	b.Helper()
	rows, err := conn.Query(b.Context(), `select * from history.`+table+` where org_id = $1 and sequence > $2 order by sequence`, tenant.Must(orgA).UUID, after)
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range rows.FieldDescriptions() {
		names = append(names, f.Name)
	}
	out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) ([]any, error) { return row.Values() })
	if err != nil {
		b.Fatal(err)
	}
	raw := tenant.Must(orgB)
	for _, r := range out {
		r[0] = [16]byte(raw.UUID)
		for i, n := range names {
			if n == "entry_id" {
				r[i] = [16]byte(uuid.New())
			}
		}
	}
	return names, out
}

// longWork is the work of the long procedure, 50 ms apart.
func longWork(p *historypb.Procedure) (out []*historypb.OrderEvent) {
	at := start.Add(-30 * time.Minute)
	add := func(e *historypb.OrderEvent) {
		at = at.Add(50 * time.Millisecond)
		e.EventId, e.OccurredTime, e.Technician = uuid.NewString(), timestamppb.New(at), "orgs/"+orgA+"/technicians/ines"
		out = append(out, e)
	}
	move := func(step, part string, m historypb.PartMove, lot string) {
		add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_PartMoved{PartMoved: &historypb.PartMoved{Step: step, Part: part, Move: m, Count: 1, Lot: lot}}})
	}
	for _, s := range p.GetSteps() {
		for _, c := range s.GetRemoves() {
			move(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_REMOVED, "")
			move("", c.GetPart(), historypb.PartMove_PART_MOVE_DISCARDED, "")
		}
		for _, c := range s.GetFits() {
			move(s.GetId(), c.GetPart(), historypb.PartMove_PART_MOVE_FITTED, "orgs/"+orgA+"/lots/lot-"+c.GetPart())
		}
		for _, t := range s.GetTests() {
			made := &historypb.TestMade{Step: s.GetId(), Test: t.GetTest()}
			for n := range 5 {
				made.Readings = append(made.Readings, &historypb.Reading{Name: fmt.Sprintf("r%d", n), Value: &historypb.Reading_Quantity{Quantity: &historypb.Quantity{Value: "9.5", Unit: "bar", Reference: historypb.PressureReference_PRESSURE_REFERENCE_GAUGE}}})
			}
			add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_TestMade{TestMade: made}})
		}
		add(&historypb.OrderEvent{Detail: &historypb.OrderEvent_StepDone{StepDone: &historypb.StepDone{Step: s.GetId()}}})
	}
	return out
}
