package main

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// TestLots registers lots, has orders fit parts from them, as a tablet would, and traces them both ways.
func TestLots(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.run(exitOK, "shop", "create", "lagoon", "--name", "Lagoon", "--zone", "Europe/Lisbon", "--jurisdiction", "PT")
	r.run(exitOK, "model", "create", "second", "--name", "Second", "--kind", "second-stage", "--maker", "Invented")
	r.run(exitOK, "technician", "create", "ann", "--name", "Ann")
	units := map[string]string{}
	for _, tag := range []string{"S-1", "S-2", "S-3", "S-4"} {
		var u struct{ Name string }
		if err := json.Unmarshal([]byte(r.run(exitOK, "unit", "create", tag, "--model", "second", "--shop", "lagoon", "--since", "2024-02-01", "--output", "json").stdout), &u); err != nil || u.Name == "" {
			t.Fatal(err, u)
		}
		units[tag] = u.Name
	}

	create := []string{"lots", "create", "seats-1", "--part", "seat", "--title", "Seats, hard, no. 4471", "--lot-number", "B 118", "--supplier", "Northbay", "--expires", "2028-03", "--quantity", "50"}
	const said = "Lot seats-1 is registered: Seats, hard, no. 4471 (seat), lot number B 118, from Northbay, 50 parts, shelf life to the end of 2028-03."
	for range 2 { // a repeat is the same
		wants(t, r.run(exitOK, create...).stdout, said)
	}
	wants(t, r.run(exitRejected, append(create[:len(create)-1:len(create)-1], "49")...).err, "lot.quantity", `"50"`, `"49"`, "Nothing was written")
	wants(t, r.run(exitOK, "lots", "create", "seats-2", "--part", "seat", "--title", "Seats, soft", "--expires", "2027-02-28").stdout, "Lot seats-2 is registered: Seats, soft (seat), shelf life to the end of 2027-02-28.")
	wants(t, r.run(exitOK, "lots", "create", "kit-1", "--title", "Kit").stdout, "Lot kit-1 is registered: Kit, no shelf life stated.")
	wants(t, r.run(exitUsage, "lots", "create", "kit-2").err, "--title")
	wants(t, r.run(exitUsage, "lots", "create", "kit-2", "--title", "Kit", "--expires", "2027").err, "--expires", "2027", "2026-06")
	wants(t, r.run(exitRejected, "lots", "create", "Kit 2", "--title", "Kit").err, "lot_id", "Kit 2")
	wants(t, r.run(exitNotFound, "lots", "show", "none").err, "none")
	wants(t, r.run(exitOK, "lots", "show", "seats-1").stdout, said[len("Lot seats-1 is registered: "):], "Registered 20")
	list := r.run(exitOK, "lots", "list").stdout
	wants(t, list, "lot      part  title", "kit-1", "seats-1  seat  Seats, hard, no. 4471  B 118       Northbay  2028-03          50", "seats-2")
	if list = r.run(exitOK, "lots", "list", "--part", "seat", "--limit", "1").stdout; strings.Contains(list, "kit-1") || strings.Contains(list, "seats-2") || !strings.Contains(list, "seats-1") {
		t.Errorf("one lot of seats:\n%s", list)
	}
	wants(t, r.run(exitOK, "lots", "trace", "seats-1").stdout, "0 fitted, 0 of them out again: no unit has parts of it.")
	wants(t, r.run(exitOK, "lots", "trace", "--unit", "S-1").err, "No part of S-1 is recorded as fitted from a lot.")

	w := newTablet(t, r)
	one := w.open(units["S-1"])
	w.move(one, historypb.PartMove_PART_MOVE_FITTED, 1, "seats-1")
	w.post(one+":close", map[string]any{"eventId": uuid.NewString(), "occurredTime": w.tick(), "technician": w.technician, "reason": "tried out"})
	two := w.open(units["S-2"])
	w.move(two, historypb.PartMove_PART_MOVE_FITTED, 2, "seats-1")
	w.move(two, historypb.PartMove_PART_MOVE_REMOVED, 2, "seats-1")
	w.move(two, historypb.PartMove_PART_MOVE_FITTED, 1, "seats-2")
	three := w.open(units["S-3"])
	w.move(three, historypb.PartMove_PART_MOVE_FITTED, 3, "seats-1")
	wrong := w.move(three, historypb.PartMove_PART_MOVE_FITTED, 1, "seats-1")
	w.record(three, map[string]any{"withdrawn": map[string]any{"event": wrong, "reason": "counted twice"}})
	again := w.open(units["S-1"])
	w.move(again, historypb.PartMove_PART_MOVE_FITTED, 1, "seats-9")

	o := r.run(exitOK, "lots", "trace", "seats-1")
	wants(t, o.err, "Caution: a trace knows what was recorded.")
	wants(t, o.stdout, said[len("Lot seats-1 is registered: "):], "7 fitted, 3 of them out again: 2 units have parts of it.")
	var rows []string
	for line := range strings.Lines(o.stdout) {
		if f := strings.Fields(line); len(f) > 4 && (f[0] == "tag" || units[f[0]] != "") {
			rows = append(rows, strings.Join(f[:5], " "))
		}
	}
	// Those that have parts first.
	if d := cmp.Diff([]string{"tag part in it now", "S-1 seat 1 1 0", "S-3 seat 3 4 1", "S-2 seat 0 2 2"}, rows); d != "" {
		t.Errorf("(-want +got)\n%s\n%s", d, o.stdout)
	}
	wants(t, o.stdout, "1 from seats-9, 20") // in S-1: it may have been replaced
	if strings.Contains(o.stdout, "seats-2") {
		t.Errorf("a part of the same order as another is none that was fitted later:\n%s", o.stdout)
	}
	o = r.run(exitOK, "lots", "trace", "--unit", "S-1")
	wants(t, o.stdout, "seats-9", "the lot is not registered", "seats-1", "Seats, hard", "2028-03")
	if strings.Contains(o.stdout, "seats-2") {
		t.Errorf("parts of another unit:\n%s", o.stdout)
	}
	wants(t, r.run(exitNotFound, "lots", "trace", "seats-9").err, "seats-9") // not registered
	wants(t, r.run(exitNotFound, "lots", "trace", "--unit", "S-9").err, "S-9")
	wants(t, r.run(exitUsage, "lots", "trace").err, "LOT", "--unit")
	wants(t, r.run(exitUsage, "lots", "trace", "seats-1", "--unit", "S-1").err, "not of both")

	var out struct {
		Items []struct {
			Unit  string
			Count int
		}
		Lot   struct{ Name string }
		Units []traced
	}
	if err := json.Unmarshal([]byte(r.run(exitOK, "lots", "trace", "seats-1", "--output", "json").stdout), &out); err != nil {
		t.Fatal(err)
	}
	sums := map[string]int{}
	for _, i := range out.Items {
		sums[i.Unit] += i.Count
	}
	if want := map[string]int{units["S-1"]: 1, units["S-2"]: 0, units["S-3"]: 3}; !cmp.Equal(want, sums) || len(out.Items) != 6 || len(out.Units) != 3 || out.Units[0].AssetTag != "S-1" || out.Lot.Name != "orgs/sheets/lots/seats-1" {
		t.Errorf("%v in %+v", sums, out)
	}
}

// tablet is somebody at a bench who calls the JSON gateway.
type tablet struct {
	t               *testing.T
	server          *server
	token           string
	now             time.Time
	technician, org string
}

func newTablet(t *testing.T, r *rig) *tablet {
	w := &tablet{t: t, server: serveProcess(t, append(r.flags(), "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0")...), org: "orgs/sheets", now: time.Now().Add(-5 * time.Hour)}
	w.technician = w.org + "/technicians/ann"
	w.token = strings.TrimSpace(r.run(exitOK, "token", "--org", "sheets", "--role", "technician").stdout)
	return w
}

// tick is an instant after the last.
func (w *tablet) tick() string {
	w.now = w.now.Add(time.Minute)
	return w.now.UTC().Truncate(time.Microsecond).Format(time.RFC3339Nano)
}

func (w *tablet) post(path string, body any) {
	w.t.Helper()
	raw, err := json.Marshal(body)
	if err != nil {
		w.t.Fatal(err)
	}
	req, err := http.NewRequestWithContext(w.t.Context(), http.MethodPost, "http://"+w.server.http+"/v1/"+path, strings.NewReader(string(raw)))
	if err != nil {
		w.t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+w.token)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		w.t.Fatal(err)
	}
	answer, err := io.ReadAll(resp.Body)
	_ = resp.Body.Close()
	if err != nil || resp.StatusCode != http.StatusOK {
		w.t.Fatalf("%s: %d %s %v", path, resp.StatusCode, answer, err)
	}
}

// open opens an order on a second stage and returns its name.
func (w *tablet) open(unit string) string {
	w.t.Helper()
	id := uuid.NewString()
	w.post(w.org+"/orders", map[string]any{"orderId": id, "unit": unit, "procedure": "second-stage-overhaul", "occurredTime": w.tick(), "technician": w.technician})
	return w.org + "/orders/" + id
}

// record records an event and returns its id.
func (w *tablet) record(order string, detail map[string]any) string {
	w.t.Helper()
	id := uuid.NewString()
	detail["eventId"], detail["occurredTime"], detail["technician"] = id, w.tick(), w.technician
	w.post(order+":record", map[string]any{"events": []any{detail}})
	return id
}

func (w *tablet) move(order string, move historypb.PartMove, count int, lot string) string {
	w.t.Helper()
	return w.record(order, map[string]any{"partMoved": map[string]any{"part": "seat", "move": move.String(), "count": count, "lot": w.org + "/lots/" + lot}})
}

// What a trace sums up, from uses in any order of their times.
func TestTraces(t *testing.T) {
	t.Parallel()
	use := func(unit, lot, part, order string, count int32, minute int64) *historypb.PartUse {
		return &historypb.PartUse{Unit: unit, Lot: lot, Part: part, Order: order, Count: count, OccurredTime: &timestamppb.Timestamp{Seconds: 60 * minute}}
	}
	a, b := "orgs/o/lots/a", "orgs/o/lots/b"
	uses := []*historypb.PartUse{
		use("u", a, "seat", "1", 2, 10), use("u", a, "tie", "1", 1, 11), use("v", a, "seat", "2", 1, 9), use("u", a, "seat", "1", -1, 5), use("v", a, "seat", "2", -2, 12),
		use("u", b, "seat", "1", 1, 20), use("u", b, "seat", "3", 1, 30), use("u", b, "tie", "3", 1, 8), use("u", "orgs/o/lots/c", "seat", "4", 1, 40), use("u", "orgs/o/lots/c", "seat", "4", -1, 41),
	}
	var got []string
	for _, r := range tracesOf(uses[:5]) {
		r.since(uses)
		got = append(got, strings.TrimRight(fmt.Sprintf("%s %s %s: %d = %d - %d, %s to %s %s %s", r.Unit, lastID(r.Lot), r.Part, r.Now, r.Fitted, r.Out, showInstant(r.first, time.UTC), showInstant(r.last, time.UTC), r.LaterFitted, lookAt(r)), " "))
	}
	if d := cmp.Diff([]string{
		"u a seat: 1 = 2 - 1, 1970-01-01 00:05 to 1970-01-01 00:10 2 from b, 1970-01-01 00:30Z",
		"u a tie: 1 = 1 - 0, 1970-01-01 00:11 to 1970-01-01 00:11",
		"v a seat: -1 = 1 - 2, 1970-01-01 00:09 to 1970-01-01 00:12 2 from b, 1970-01-01 00:30Z more came out than went in",
	}, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
}
