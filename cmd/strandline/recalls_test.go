package main

import (
	"os"
	"path/filepath"
	"testing"
)

// TestRecalls takes a recall from its file to its end, through the command line.
func TestRecalls(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	dir := t.TempDir()
	file := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
		return path
	}
	gear := file("gear.yaml", `
title: Gear
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: overhaul, title: Overhaul, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 1200}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`)
	notice := file("seams.yaml", `
title: Bladders with a weak seam
notice: The seam may open under pressure. Have the bladder replaced.
source: {document: notice of the tests, section: "7"}
scope: {kinds: [bcd], where: 'serialWithin(serial, "V10", "V19")'}
blocks: [USE_HAND_OUT]
remediedBy: [bladder-replacement]
releasable: true
`)
	bad := file("bad.yaml", `
title: Everything
source: {document: notice}
scope: {jurisdictions: [GB]}
blocks: [USE_SWIM]
`)
	lots := file("lots.yaml", `
title: Seats of two lots
source: {document: notice of the tests, section: "8"}
lots: [orgs/sheets/lots/seats-7, orgs/sheets/lots/seats-8]
blocks: [USE_HAND_OUT]
`)
	notLots := file("not-lots.yaml", `
title: Seats of no lot
source: {document: notice}
lots: [seats-7]
blocks: [USE_HAND_OUT]
`)
	r.run(exitOK, "shop", "create", "lagoon", "--name", "Lagoon", "--zone", "Europe/London", "--jurisdiction", "GB")
	r.run(exitOK, "model", "create", "vest", "--name", "Vest", "--kind", "bcd", "--maker", "Invented")
	for tag, serial := range map[string]string{"B-1": "V11", "B-2": "V12", "B-3": "V20"} {
		r.run(exitOK, "unit", "create", tag, "--model", "vest", "--shop", "lagoon", "--since", "2020-02-01", "--serial", serial)
	}
	r.run(exitOK, "rules", "publish", gear, "--id", "gear")

	o := r.run(exitRejected, "recalls", "preview", bad)
	wants(t, o.stdout, bad+":5:10", "blocks[0]", "USE_SWIM")
	wants(t, r.run(exitRejected, "recalls", "preview", notLots).stdout, notLots+":4:8", "lots[0]", "seats-7")
	wants(t, r.run(exitOK, "recalls", "preview", lots).stdout, "0 units would be held")
	wants(t, r.run(exitOK, "recalls", "open", lots, "--id", "lots").stdout, "Recall lots is open: 0 units held")
	wants(t, r.run(exitOK, "recalls", "show", "lots").stdout, "Units with parts of 2 lots: seats-7, seats-8.", "0 held")
	wants(t, r.run(exitOK, "recalls", "withdraw", "lots", "--reason", "a test").stdout, "holds nothing any more")
	o = r.run(exitOK, "recalls", "preview", notice)
	wants(t, o.stdout, "2 units would be held", "B-1", "V11", "B-2", "would be held")
	wants(t, r.run(exitOK, "recalls", "list").err, "No recalls.")
	wants(t, r.run(exitOK, "recalls", "open", notice, "--id", "seams", "--dry-run").err, "nothing was written")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  yes")
	wants(t, r.run(exitOK, "recalls", "open", notice, "--id", "seams").stdout, "Recall seams is open: 2 units held")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  no", "Recalled: Bladders with a weak seam.", "bladder-replacement")
	wants(t, r.run(exitOK, "unit", "show", "B-3").stdout, "may be handed out  yes")
	wants(t, r.run(exitOK, "holds").stdout, "recall", "B-1", "B-2")
	wants(t, r.run(exitRejected, "lift", "B-1", "--reason", "looks fine").err, "HOLD_NEEDS_PROOF")
	wants(t, r.run(exitRejected, "recalls", "close", "seams").err, "RECALL_UNITS_HELD", "recalls show ID --held")

	r.run(exitOK, "log", "service", "B-1", "--activity", "bladder-replacement", "--outcome", "pass")
	o = r.run(exitOK, "recalls", "release", "seams", "B-2", "--reason", "bladder of another lot")
	wants(t, o.stdout, "B-2 is released from recall seams.")
	wants(t, o.err, "Caution")
	o = r.run(exitOK, "recalls", "show", "seams")
	wants(t, o.stdout, "The seam may open", "0 held, 1 remedied, 1 released", "bladder of another lot", "Remedy: bladder-replacement")
	wants(t, r.run(exitOK, "recalls", "close", "seams").stdout, "Recall seams is closed.")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  yes")
	r.run(exitOK, "unit", "create", "B-4", "--model", "vest", "--shop", "lagoon", "--since", "2020-02-01", "--serial", "V15")
	wants(t, r.run(exitOK, "unit", "show", "B-4").stdout, "may be handed out  no", "Recalled")
	o = r.run(exitOK, "recalls", "withdraw", "seams", "--reason", "notice 8 takes it back")
	wants(t, o.stdout, "holds nothing any more")
	wants(t, r.run(exitOK, "unit", "show", "B-4").stdout, "may be handed out  yes")
	wants(t, r.run(exitOK, "recalls", "list", "--all").stdout, "seams", "withdrawn")
	wants(t, r.run(exitNotFound, "recalls", "show", "nothing").err, "nothing")
}
