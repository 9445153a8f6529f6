package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// TestWaivers grants, shows, lists and revokes a waiver of an overdue unit, and is told why one of law is refused.
func TestWaivers(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	pack := filepath.Join(t.TempDir(), "gear.yaml")
	if err := os.WriteFile(pack, []byte(`
title: Gear
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: overhaul, title: Overhaul, activity: overhaul, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [bcd]}, limit: {months: 12}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
  - {id: law, title: A statutory test, activity: statutory-test, authority: AUTHORITY_LAW, source: {document: "invented law of the tests"}, scope: {kinds: [bcd]}, limit: {months: 120}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`), 0o644); err != nil {
		t.Fatal(err)
	}
	r.run(exitOK, "shop", "create", "lagoon", "--name", "Lagoon", "--zone", "Europe/London", "--jurisdiction", "GB")
	r.run(exitOK, "model", "create", "vest", "--name", "Vest", "--kind", "bcd", "--maker", "Invented")
	r.run(exitOK, "unit", "create", "B-1", "--model", "vest", "--shop", "lagoon", "--since", "2020-02-01")
	r.run(exitOK, "rules", "publish", pack, "--id", "gear")
	until := time.Now().UTC().AddDate(0, 0, 30).Format(time.DateOnly)
	grant := []string{"waivers", "grant", "B-1", "--signer", "A. Keeper", "--reason", "kit on order", "--until", until}

	o := r.run(exitRejected, append(grant, "--rule", "gear/law")...)
	wants(t, o.err, "RULE_NOT_WAIVABLE", "law", "Nothing was written.", "have the work done")
	o = r.run(exitUsage, append(grant, "--rule", "overhaul")...)
	wants(t, o.err, "PACK/RULE")
	o = r.run(exitUsage, "waivers", "grant", "B-1", "--signer", "x", "--reason", "x", "--rule", "gear/overhaul", "--until", "2026-06")
	wants(t, o.err, "--until", "want a day")
	o = r.run(exitRejected, append(grant, "--rule", "gear/overhaul", "--from", "2020-01-01")...)
	wants(t, o.err, "waiver.start_date", "today")
	o = r.run(exitOK, append(grant, "--rule", "gear/overhaul", "--dry-run")...)
	wants(t, o.err, "nothing was written", "law cannot be waived")
	wants(t, r.run(exitOK, "waivers", "list").err, "No waivers.")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  no", "overdue *")

	o = r.run(exitOK, append(grant, "--rule", "gear/overhaul")...)
	wants(t, o.stdout, "B-1 is excused from gear/overhaul", until, "signed by A. Keeper", "It may be handed out.")
	wants(t, o.err, "law cannot be waived", "maker's manual")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  yes", "overdue (waived)", "Waivers", "kit on order", "signed by A. Keeper: kit on order.")
	wants(t, r.run(exitOK, "due").stdout, "overdue (waived)")
	wants(t, r.run(exitOK, "waivers", "list", "B-1").stdout, "B-1", "gear/overhaul", until, "A. Keeper")

	wants(t, r.run(exitOK, "waivers", "revoke", "B-1", "--reason", "the kit came").stdout, "not excused from gear/overhaul any more")
	wants(t, r.run(exitNotFound, "waivers", "revoke", "B-1", "--reason", "again").err, "no waiver that stands")
	wants(t, r.run(exitOK, "unit", "show", "B-1").stdout, "may be handed out  no")
	var list struct {
		Items []struct{ Rule, RevokeReason, RevokeTime string }
	}
	if err := json.Unmarshal([]byte(r.run(exitOK, "waivers", "list", "--all", "--output", "json").stdout), &list); err != nil || len(list.Items) != 1 {
		t.Fatal(err, list)
	}
	if w := list.Items[0]; w.RevokeReason != "the kit came" || w.RevokeTime == "" {
		t.Errorf("%+v", w)
	}
}
