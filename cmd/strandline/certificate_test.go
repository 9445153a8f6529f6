package main

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// TestCertificate signs an order whose test failed first, and reads the record of it: all of it, in the order in which a reader asks.
func TestCertificate(t *testing.T) {
	t.Parallel()
	r := workshop(t)
	const id = "0195a0f2-1c7e-7b11-9f2a-5d0c3e8b6a41"
	wants(t, r.run(exitOK, "certificate", "B-1", "--list").err, "No certificates.")
	wants(t, r.run(exitNotFound, "certificate", "B-1").err, "no order that was signed", "orders list --unit B-1")
	r.run(exitOK, "orders", "open", "B-1", "bcd-inspection", "--by", "mara", "--intake", "sticks now and then", "--at", "2025-03-01 09:00", "--id", id)
	wants(t, r.run(exitRejected, "certificate", id).err, "ORDER_NOT_SIGNED", "is open")
	first := write(t, "first.yaml", strings.Replace(morning, "STICKS", "true", 1))
	r.run(exitOK, "orders", "record", id, first, "--by", "mara", "--at", "2025-03-01 10:00")
	second := write(t, "second.yaml", strings.Replace(morning, "STICKS", "false", 1))
	r.run(exitOK, "orders", "record", id, second, "--by", "mara", "--at", "2025-03-01 11:00")
	last := write(t, "last.yaml", `
events:
  - {occurredTime: "2025-03-01T11:20:00Z", stepDone: {step: hold}}
  - {occurredTime: "2025-03-01T11:25:00Z", found: {finding: a scratch on the shell}, note: left as it is}
  - {eventId: 0195a0f2-1c7e-7b11-9f2a-000000000001, occurredTime: "2025-03-01T11:26:00Z", found: {finding: a tear in the bladder}}
  - {occurredTime: "2025-03-01T11:27:00Z", withdrawn: {event: 0195a0f2-1c7e-7b11-9f2a-000000000001, reason: it was a thread}}
  - {occurredTime: "2025-03-01T11:30:00Z", testMade: {step: hold, test: holds-air, readings: [{name: watched, quantity: 240 s}, {name: firm, yes: true}, {name: bubbles, yes: false}]}}
`)
	r.run(exitOK, "orders", "sign", id, "--by", "mara", "--events", last)

	o := r.run(exitOK, "certificate", "B-1")
	sections := []string{
		"Certificate of inspection of B-1, signed ", ": pass\n", "unit ", "B-1, bcd, A bcd, by Invented", "Lagoon, ", "(PT)", "bcd-inspection revision 1: ", "sticks now and then", "2025-03-01 09:00 by Mara",
		"by Mara, qualified for inspection", id, "digest ",
		"\nCautions\n", "maker's manual win",
		"\nDone\n", "2025-03-01 10:00  rinse  Jon, done again later", "note: much sand", "2025-03-01 11:00  rinse  Jon",
		"\nFound\n", "2025-03-01 11:25  Mara: a scratch on the shell (left as it is)",
		"\nTested\n", "FAIL, by Mara, made again later", "yes", "Source: ", "Inflator and valves: PASS, by Mara", "Holds air: PASS, by Mara", "240 s",
		"\nRecorded and withdrawn: it never happened\n", "found: a tear in the bladder; withdrawn by Mara: it was a thread",
		"\nIn the unit's history\n", "inspection", "pass",
		"\nWhere it stands at ", "may be handed out  yes",
		"\nNext due\n", "Inspection", "common practice, no source",
		"\nWhat this says\n", "licensed practice come first",
	}
	rest := o.stdout
	for _, s := range sections {
		i := strings.Index(rest, s)
		if i < 0 {
			t.Fatalf("%q is missing, or not in its place:\n%s", s, o.stdout)
		}
		rest = rest[i+len(s):]
	}
	if strings.Count(o.stdout, "a tear in the bladder") != 1 {
		t.Errorf("what was withdrawn is told twice:\n%s", o.stdout)
	}
	if by := r.run(exitOK, "certificate", id).stdout; strings.Split(by, "\nWhere it stands")[0] != strings.Split(o.stdout, "\nWhere it stands")[0] {
		t.Errorf("by its order it is another:\n%s", by)
	}
	var c compliancepb.Certificate
	if err := protojson.Unmarshal([]byte(r.run(exitOK, "certificate", id, "--output", "json").stdout), &c); err != nil || len(c.GetTests()) != 3 || len(c.GetSignature().GetReceipt().GetDigest()) != 32 {
		t.Errorf("for programs: %v, %v", err, &c)
	}
	wants(t, r.run(exitOK, "certificate", "B-1", "--list").stdout, "pass", "bcd-inspection", "lagoon", "mara", id)
	wants(t, r.run(exitRejected, "certificate", id, "--as-of", "2025-02-01").err, "before the order was signed")

	r.run(exitOK, "hold", "B-1", "--reason", "smells of oil")
	wants(t, r.run(exitOK, "certificate", "B-1").stdout, "may be handed out  no", "Open holds", "smells of oil", "may not be handed out")
}
