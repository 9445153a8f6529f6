package historyrpc_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/historyrpc"
)

type importStream = grpc.ClientStreamingClient[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]

// openImport starts an import.
func openImport(ctx context.Context, c historypb.HistoryServiceClient, h *historypb.ImportEntriesRequest_Header) (importStream, error) {
	s, err := c.ImportEntries(ctx)
	if err != nil {
		return nil, err
	}
	return s, s.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Header_{Header: h}})
}

// sendRecords sends entries as rows 2, 3 and so on, the first row being a spreadsheet's headings, and returns the answer.
func sendRecords(s importStream, entries []*historypb.Entry) (*historypb.ImportEntriesResponse, error) {
	row := int64(2)
	for chunk := range slices.Chunk(entries, 700) {
		b := &historypb.ImportEntriesRequest_RecordBatch{}
		for _, e := range chunk {
			b.Records = append(b.Records, &historypb.ImportEntriesRequest_Record{Row: row, Entry: e})
			row++
		}
		if err := s.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Records{Records: b}}); err != nil {
			if errors.Is(err, io.EOF) {
				break // the answer is the error
			}
			return nil, err
		}
	}
	return s.CloseAndRecv()
}

func importEntries(ctx context.Context, c historypb.HistoryServiceClient, org string, entries []*historypb.Entry) (*historypb.ImportEntriesResponse, error) {
	s, err := openImport(ctx, c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + org})
	if err != nil {
		return nil, err
	}
	return sendRecords(s, entries)
}

func rehearse(ctx context.Context, c historypb.HistoryServiceClient, org string, planned []*historypb.ImportEntriesRequest_PlannedUnit, entries []*historypb.Entry) (*historypb.ImportEntriesResponse, error) {
	s, err := openImport(ctx, c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + org, ValidateOnly: true, PlannedUnits: planned})
	if err != nil {
		return nil, err
	}
	return sendRecords(s, entries)
}

// Fifty thousand entries in one import, in memory that does not grow with them but for an index of a few dozen bytes an entry.
func TestImportIsBounded(t *testing.T) {
	if testing.Short() {
		t.Skip("50,000 entries take some seconds")
	}
	r := newRig(t)
	_, units := r.fleet(orgA, 300)
	c := r.client(orgA)
	const total, size = 50_000, 500
	note := strings.Repeat("the quick brown fox ", 100) // 2 kB an entry: 100 MB in all

	var before, now runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	s, err := openImport(t.Context(), c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgA})
	if err != nil {
		t.Fatal(err)
	}
	var most uint64
	for sent := 0; sent < total; sent += size {
		b := &historypb.ImportEntriesRequest_RecordBatch{}
		for i := range size {
			e := dives(units[(sent+i)%len(units)], start.Add(-time.Duration(total-sent-i)*time.Second), 1)
			e.Note = note
			b.Records = append(b.Records, &historypb.ImportEntriesRequest_Record{Row: int64(sent + i), Entry: e})
		}
		if err := s.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Records{Records: b}}); err != nil {
			t.Fatal(err)
		}
		if sent%(10*size) == 0 {
			runtime.GC()
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapAlloc)
		}
	}
	// The second pass runs while we look on.
	type answer struct {
		got *historypb.ImportEntriesResponse
		err error
	}
	done := make(chan answer, 1)
	go func() {
		got, err := s.CloseAndRecv()
		done <- answer{got, err}
	}()
	var a answer
	for waiting := true; waiting; {
		select {
		case a = <-done:
			waiting = false
		case <-time.After(50 * time.Millisecond):
			runtime.GC()
			runtime.ReadMemStats(&now)
			most = max(most, now.HeapAlloc)
		}
	}
	if a.err != nil {
		t.Fatal(a.err)
	}
	if a.got.GetAppended() != total || a.got.GetPosition().GetHistory() != total || a.got.GetProblemCount() != 0 {
		t.Errorf("%v", a.got)
	}
	grown := int64(most) - int64(before.HeapAlloc)
	t.Logf("heap grew by %d kB at most, for %d kB of entries", grown>>10, total*len(note)>>10)
	// Client and server are both in this process, with what gRPC buffers between them.
	if limit := int64(40 << 20); grown > limit {
		t.Errorf("heap grew by %d bytes, limit %d", grown, limit)
	}
	verify(t, c, orgA, total)
}

func TestImportKeepsAndRepeats(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	shop, units := r.fleet(orgA, 3)
	c := r.client(orgA)
	appendEntries(t, c, orgA, dives(units[0], start, 1))
	var entries []*historypb.Entry
	for range 120 {
		entries = append(entries, everyShape(units[1], shop)...) // amendments of entries in this and in earlier chunks
	}
	early := entries[0]
	entries = append(entries, amend(early, start, nil), entries[5]) // far behind its target; and once more the same
	n := int64(len(entries) - 1)
	got, err := importEntries(t.Context(), c, orgA, entries)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetAppended() != n || got.GetUnchanged() != 1 || got.GetProblemCount() != 0 || got.GetPosition().GetHistory() != n+1 {
		t.Fatalf("%v; want %d appended", got, n)
	}
	verify(t, c, orgA, n+1)
	all := r.list(orgA, &historypb.ListEntriesRequest{PageSize: 1000})
	for i, e := range all[1:] {
		if e.GetName() != entries[i].GetName() || e.GetShop() != shop || e.GetRecorder() != "person-of-"+orgA {
			t.Fatalf("entry %d: %v, want %v", i, e, entries[i])
		}
	}
	// Again, with two new ones: only those are added.
	entries = append(entries, dives(units[2], start, 1), dives(units[2], start, 2))
	if got, err = importEntries(t.Context(), c, orgA, entries); err != nil {
		t.Fatal(err)
	}
	if got.GetAppended() != 2 || got.GetUnchanged() != n+1 || got.GetPosition().GetHistory() != n+3 {
		t.Fatalf("%v", got)
	}
	// And again: nothing, at the position where they stand.
	if got, err = importEntries(t.Context(), c, orgA, entries); err != nil {
		t.Fatal(err)
	}
	if got.GetAppended() != 0 || got.GetUnchanged() != n+3 || got.GetPosition().GetHistory() != n+3 {
		t.Fatalf("%v", got)
	}
	verify(t, c, orgA, n+3)
}

// One bad row in the last chunk, and nothing of the file is written.
func TestImportIsWholeOrNothing(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	var entries []*historypb.Entry
	for i := range 3001 {
		entries = append(entries, dives(units[0], start.Add(-time.Duration(i)*time.Second), 1))
	}
	last := entries[3000]
	last.GetUsage().GetIncrement().Dives = 0
	got, err := importEntries(t.Context(), c, orgA, entries)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetAppended() != 0 || got.GetProblemCount() != 1 || got.GetProblems()[0].GetRow() != 3002 || got.GetProblems()[0].GetField() != "usage.increment" || got.GetPosition().GetHistory() != 0 {
		t.Errorf("%v", got)
	}
	if n := r.count(); n != 0 {
		t.Fatalf("%d rows written", n)
	}
	last.GetUsage().GetIncrement().Dives = 1
	if got, err = importEntries(t.Context(), c, orgA, entries); err != nil || got.GetAppended() != 3001 {
		t.Fatalf("mended: %v, %v", got, err)
	}
	if left, err := os.ReadDir(r.config.SpoolDir); err != nil || len(left) > 0 {
		t.Errorf("left in the spool: %v, %v", left, err)
	}
}

// Every problem of a file is found in one go, also those that the proto's own rules find, each with row, field, value and reason.
func TestImportReportsEverything(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 2)
	c := r.client(orgA)
	unit := units[0]
	taken := dives(unit, start, 1)
	final := work(unit, start, historypb.Outcome_OUTCOME_CONDEMNED)
	appendEntries(t, c, orgA, taken, final)
	other := proto.CloneOf(taken)
	other.Note = "x"
	changed := func(e *historypb.Entry, f func(*historypb.Entry)) *historypb.Entry { f(e); return e }
	a, b := dives(unit, start, 1), dives(unit, start, 1)
	clash := proto.CloneOf(a)
	clash.GetUsage().GetIncrement().Dives = 7
	fallen := work(unit, start, historypb.Outcome_OUTCOME_FAIL)
	ghost := "orgs/" + orgA + "/units/" + uuid.NewString()
	ghostEntry := dives(ghost, start, 1)
	filler := func(n int) (out []*historypb.Entry) {
		for range n {
			out = append(out, dives(units[1], start, 1))
		}
		return out
	}
	type row struct {
		give *historypb.Entry
		want []string // field, value, reason
	}
	rows := []row{
		{a, nil},
		{b, nil},
		{fallen, nil},
		{amend(fallen, start, &historypb.Replacement{OccurredTime: timestamppb.New(start), Detail: &historypb.Replacement_Service{Service: final.GetService()}}), nil},
		{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.GetUsage().GetIncrement().Dives = -4 }), []string{"usage.increment.dives|-4|INVALID_FIELD"}},
		{changed(work(unit, start, 99), func(e *historypb.Entry) { e.GetService().Activities = []string{"Not A Word"} }), []string{"service.activities[0]|Not A Word|INVALID_FIELD", "service.outcome|99|INVALID_FIELD"}},
		{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Name = "nonsense" }), []string{"name|nonsense|INVALID_FIELD"}},
		{changed(dives(unit, start, 1), func(e *historypb.Entry) { e.Shop = "orgs/" + orgB + "/shops/quay" }), []string{"shop|orgs/" + orgB + "/shops/quay|ORG_MISMATCH"}},
		{changed(work(unit, start, 1), func(e *historypb.Entry) { e.GetService().MarkDate = &datepb.Date{Year: 2026, Month: 13} }), []string{"service.mark_date|*|INVALID_FIELD"}},
		{nil, []string{"entry||INVALID_FIELD"}},
		{dives(unit, start.Add(time.Hour), 1), []string{"occurred_time|2026-03-01T10:00:00Z|IN_THE_FUTURE"}},
		{dives(unit, start.AddDate(-5, 0, 0), 1), []string{"occurred_time|2021-03-01T09:00:00Z|BEFORE_COMMISSIONING"}},
		{ghostEntry, []string{"name|" + ghost + "|NOT_FOUND"}},
		{other, []string{"name|" + other.Name + "|ENTRY_ID_REUSED"}},
		{taken, nil},
		{amend(final, start, nil), []string{"amendment.corrected_entry|" + final.Name + "|CONDEMNATION_FINAL"}},
	}
	for _, e := range filler(2500) {
		rows = append(rows, row{give: e})
	}
	missing := dives(unit, start, 1)
	rows = append(rows,
		row{clash, []string{"name|" + clash.Name + "|ENTRY_ID_REUSED"}},
		row{a, nil},
		row{amend(b, start, nil), nil},
		row{amend(fallen, start, nil), []string{"amendment.corrected_entry|" + fallen.Name + "|CONDEMNATION_FINAL"}},
		row{amend(missing, start, nil), []string{"amendment.corrected_entry|" + missing.Name + "|AMENDMENT_TARGET"}},
	)
	var entries []*historypb.Entry
	var want []string
	for i, row := range rows {
		entries = append(entries, row.give)
		for _, w := range row.want {
			want = append(want, fmt.Sprintf("%d|%s", i+2, w))
		}
	}
	for _, dry := range []bool{true, false} {
		send := importEntries
		if dry {
			send = func(ctx context.Context, c historypb.HistoryServiceClient, org string, entries []*historypb.Entry) (*historypb.ImportEntriesResponse, error) {
				return rehearse(ctx, c, org, nil, entries)
			}
		}
		resp, err := send(t.Context(), c, orgA, entries)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, p := range resp.GetProblems() {
			value := p.GetValue()
			if p.GetField() == "service.mark_date" {
				value = "*"
			}
			got = append(got, fmt.Sprintf("%d|%s|%s|%s", p.GetRow(), p.GetField(), value, p.GetReason()))
			if p.GetDescription() == "" {
				t.Errorf("row %d: no description", p.GetRow())
			}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("dry %v (-want +got)\n%s", dry, d)
		}
		if resp.GetProblemCount() != int64(len(want)) {
			t.Errorf("counted %d problems, want %d", resp.GetProblemCount(), len(want))
		}
		if dry && resp.GetAppended() != 2505 || !dry && resp.GetAppended() != 0 || resp.GetUnchanged() != 2 {
			t.Errorf("dry %v: appended %d, unchanged %d", dry, resp.GetAppended(), resp.GetUnchanged())
		}
	}
	if n := r.count(); n != 2 {
		t.Errorf("%d rows, want 2", n)
	}
}

// Of many problems a thousand are listed, and all are counted.
func TestImportCountsProblems(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	var entries []*historypb.Entry
	for range 2200 {
		entries = append(entries, dives(units[0], start, 0))
	}
	got, err := importEntries(t.Context(), r.client(orgA), orgA, entries)
	if err != nil || len(got.GetProblems()) != 1000 || got.GetProblemCount() != 2200 {
		t.Errorf("%d listed, %d counted, %v", len(got.GetProblems()), got.GetProblemCount(), err)
	}
}

// A rehearsal checks entries of units that another part of the import would create; for a real import they do not count.
func TestImportRehearsal(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	planned := "orgs/" + orgA + "/units/" + uuid.NewString()
	plans := []*historypb.ImportEntriesRequest_PlannedUnit{{Name: planned, CommissionTime: timestamppb.New(start.Add(-time.Hour))}}
	good := dives(planned, start.Add(-time.Hour), 1)
	good.Shop = "orgs/" + orgA + "/shops/planned-too"
	early := dives(planned, start.Add(-time.Hour-time.Microsecond), 1)
	entries := []*historypb.Entry{good, early, dives(units[0], start, 1), amend(good, start, nil)}
	got, err := rehearse(t.Context(), c, orgA, plans, entries)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetAppended() != 3 || got.GetProblemCount() != 1 || got.GetProblems()[0].GetReason() != "BEFORE_COMMISSIONING" || got.GetProblems()[0].GetRow() != 3 {
		t.Errorf("%v", got)
	}
	s, err := openImport(t.Context(), c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgA, PlannedUnits: plans})
	if err != nil {
		t.Fatal(err)
	}
	if got, err = sendRecords(s, entries); err != nil || got.GetProblemCount() != 3 || got.GetProblems()[0].GetReason() != "NOT_FOUND" {
		t.Errorf("for real: %v, %v", got, err)
	}
	if r.count() != 0 {
		t.Error("something was written")
	}
}

func TestImportRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t, func(c *historyrpc.Config) { c.MaxImportBytes = 100_000 })
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)

	s, err := c.ImportEntries(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.CloseAndRecv()
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "header INVALID_FIELD")

	if s, err = c.ImportEntries(t.Context()); err != nil {
		t.Fatal(err)
	}
	_, err = sendRecords(s, []*historypb.Entry{dives(units[0], start, 1)})
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "header INVALID_FIELD")

	if s, err = openImport(t.Context(), c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgA}); err != nil {
		t.Fatal(err)
	}
	if err := s.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Header_{Header: &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgA}}}); err != nil {
		t.Fatal(err)
	}
	_, err = s.CloseAndRecv()
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "records INVALID_FIELD")

	if s, err = openImport(t.Context(), c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgB}); err != nil {
		t.Fatal(err)
	}
	_, err = s.CloseAndRecv()
	wantError(t, err, codes.PermissionDenied, "ORG_MISMATCH")

	// More than the spool takes.
	var entries []*historypb.Entry
	for range 2000 {
		entries = append(entries, dives(units[0], start, 1))
	}
	_, err = importEntries(t.Context(), c, orgA, entries)
	wantError(t, err, codes.ResourceExhausted, "RESOURCE_EXHAUSTED")

	// A client that goes away before it says that it is done.
	ctx, cancel := context.WithCancel(t.Context())
	if s, err = openImport(ctx, c, &historypb.ImportEntriesRequest_Header{Parent: "orgs/" + orgA}); err != nil {
		t.Fatal(err)
	}
	b := &historypb.ImportEntriesRequest_RecordBatch{Records: []*historypb.ImportEntriesRequest_Record{{Row: 2, Entry: entries[0]}}}
	if err := s.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Records{Records: b}}); err != nil {
		t.Fatal(err)
	}
	cancel()
	_, _ = s.CloseAndRecv()

	// A registry that cannot be asked.
	r.registry.change(func() { r.registry.down = true })
	_, err = importEntries(t.Context(), c, orgA, entries[:3])
	wantError(t, err, codes.Unavailable, "UNAVAILABLE")
	if n := r.count(); n != 0 {
		t.Errorf("%d rows written", n)
	}
}

// Between the check of an import and its writing, somebody appends: what was checked is checked again.
func TestImportRace(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	appendEntries(t, c, orgA, dives(units[0], start, 1))
	var entries []*historypb.Entry
	for range 1500 {
		entries = append(entries, dives(units[0], start, 1))
	}
	failed := work(units[0], start, historypb.Outcome_OUTCOME_FAIL)
	entries[3] = amend(failed, start, nil)
	appendEntries(t, c, orgA, failed)

	// The import waits for the head row, all checked; then the row's holder has written before it.
	holder := r.admin()
	tx, err := holder.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `select from history.heads for update`); err != nil {
		t.Fatal(err)
	}
	type answer struct {
		got *historypb.ImportEntriesResponse
		err error
	}
	done := make(chan answer, 1)
	go func() {
		got, err := importEntries(t.Context(), c, orgA, entries)
		done <- answer{got, err}
	}()
	waitForLock(t, r)
	// Another replica's append of one of the ids with other content: here the superuser plays it, the chain does not matter.
	other := entries[1400].GetName()
	if _, err := tx.Exec(t.Context(), `
		insert into history.entries (org_id, sequence, entry_id, unit_id, shop, kind, occurred, recorded, recorder, body, digest)
		select org_id, 3, $1, unit_id, shop, kind, occurred, recorded, recorder, '\x00', digest from history.entries where sequence = 1`, other[len(other)-36:]); err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `update history.heads set number = 3`); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	a := <-done
	if a.err != nil || a.got.GetAppended() != 0 || a.got.GetProblemCount() != 1 || a.got.GetProblems()[0].GetReason() != "ENTRY_ID_REUSED" || a.got.GetProblems()[0].GetRow() != 1402 {
		t.Errorf("%v, %v", a.got, a.err)
	}
	if n := r.count(); n != 3 {
		t.Errorf("%d rows, want 3", n)
	}
}

// waitForLock returns once some statement waits for a lock.
func waitForLock(t *testing.T, r *rig) {
	t.Helper()
	watch := r.admin()
	for waiting := 0; waiting == 0; {
		if err := watch.QueryRow(t.Context(), `select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'`).Scan(&waiting); err != nil {
			t.Fatal(err)
		}
		select {
		case <-t.Context().Done():
			t.Fatal("nobody waits")
		case <-time.After(2 * time.Millisecond):
		}
	}
}
