package scenario

import (
	"fmt"
	"slices"

	"strandline.example/strandline/internal/civil"
)

// stories adds what the dice do not tell: reports, failed tests, mistakes and late logs.
func (h *history) stories(f *fleet) {
	u := func(tag string) *unit { return f.byTag[tag] }
	report := func(tag string, when moment, condition, severity, note string) {
		h.add("conditions", u(tag).shop, tag, when, "condition", condition, "severity", severity, "note", note)
	}

	// Reported, inspected, back in use.
	report("US-SND-004", on(2026, 2, 9, 16, 40), "flooding", "pull", "breathed wet on the second dive")
	h.service(u("US-SND-004"), civil.New(2026, 3, 2), "overhaul", "pass", "ines", "note", "new diaphragm, case was cracked")
	report("AU-DCP-003", on(2026, 8, 21, 15, 10), "flooding", "pull", "water behind the glass")
	h.service(u("AU-DCP-003"), civil.New(2026, 8, 28), "inspection + battery-change", "pass", "tove")
	report("GB-BCD-004", on(2025, 7, 13, 17, 25), "leak", "pull", "inflator hisses")
	h.service(u("GB-BCD-004"), civil.New(2025, 7, 16), "inspection", "pass", "maya", "note", "inflator valve cleaned")
	report("US-FST-009", on(2025, 8, 2, 11, 5), "free-flow", "pull", "at 18 m, on two dives")
	h.service(u("US-FST-009"), civil.New(2025, 8, 4), "overhaul", "pass", "ines")
	report("AU-BCD-009", on(2026, 1, 17, 12, 30), "corrosion", "note", "D-ring, surface only")
	report("GB-CYL-009", on(2026, 9, 5, 9, 50), "drop", "note", "fell over on the quay, paint only; looked at by Maya")
	report("US-BCD-014", on(2025, 12, 28, 16, 0), "leak", "note", "dump valve weeps when over-inflated")

	// Reported, still out of use.
	report("US-SND-007", on(2026, 11, 14, 10, 20), "free-flow", "pull", `diver's words: "it would not stop until I shut the tank"`)
	report("GB-DCP-005", on(2026, 11, 1, 16, 45), "flooding", "pull", "screen dead after the dive")
	report("AU-CYL-011", on(2026, 11, 17, 8, 30), "drop", "pull", "fell from the truck's tailgate")

	// Failed, retested, passed.
	h.test(u("GB-FST-005"), civil.New(2026, 6, 2), "function-test", "fail", "technician", "maya", "note", "intermediate pressure creeps")
	h.service(u("GB-FST-005"), civil.New(2026, 6, 3), "overhaul", "pass", "maya")
	h.test(u("GB-FST-005"), civil.New(2026, 6, 4), "function-test", "pass", "technician", "maya")

	// Failed, not yet retested: one fitted to a set, one on the shelf.
	h.test(u("AU-FST-006"), civil.New(2026, 11, 12), "function-test", "fail", "technician", "tove", "note", "intermediate pressure creeps 1.2 bar in a minute")
	h.test(u("GB-ALT-003"), civil.New(2026, 10, 19), "function-test", "fail", "technician", "maya", "note", "opens too late")

	// Condemned for a crack in the neck.
	h.test(u("US-CYL-013"), civil.New(2026, 5, 18), "eddy-current-examination", "condemned", "provider", "Gannet Cylinder Works", "note", "neck crack over two threads")

	h.mistake(f)
	h.late(f)
	h.moved(f)
	h.marks()
}

// mistake makes one rental wrong: 40 dives typed for 4, found two days later.
func (h *history) mistake(f *fleet) {
	var at *event
	for i := range h.events {
		e := &h.events[i]
		if e.file == "usage" && e.tag == "GB-REG-006" && e.when.day >= civil.New(2026, 8, 3) && (at == nil || e.when.day < at.when.day) {
			at = e
		}
	}
	right := at.cells["dives"]
	at.cells["dives"] = right + "0"
	h.add("amendments", at.shop, at.tag, moment{at.when.day + 2, 9*60 + 15}, "corrects", at.cells["reference"], "reason", fmt.Sprintf("typed %s0 instead of %s", right, right), "dives", right)
}

// late takes some usage out of the order of the day: logs that came in weeks after the dives.
func (h *history) late(f *fleet) {
	n := 0
	for i := range h.events {
		e := &h.events[i]
		if e.file == "usage" && e.shop.code == "US" && e.cells["dives"] != "" && h.d.chance(25) {
			e.late = true
			n++
		}
	}
	// The log that takes a set past its hundred dives.
	au := f.byTag["AU-REG-005"]
	h.add("usage", au.shop, au.tag, on(2026, 10, 27, 16, 30), "dives", "6", "reference", "BP-LATE-01", "note", "charter log, handed in on 18 November")
	h.events[len(h.events)-1].late = true
}

// moved gives the jacket that changed shops its rentals at the new one.
func (h *history) moved(f *fleet) {
	gb := f.byTag["GB-BCD-001"].shop
	for i := range h.events {
		if e := &h.events[i]; e.tag == "US-BCD-018" && e.when.day >= civil.New(2026, 9, 1) {
			e.shop = gb
			if t := e.cells["technician"]; t != "" {
				e.cells["technician"] = "maya"
			}
		}
	}
}

// marks gives some rows what people write beside the numbers.
func (h *history) marks() {
	notes := []string{"customer says it breathes well", "returned a day late", "rinsed twice, sand", "mask strap missing, not ours", "logged by the boat"}
	for i := range h.events {
		if e := &h.events[i]; e.file == "usage" && e.cells["dives"] != "" && e.cells["note"] == "" && h.d.chance(30) {
			e.cells["note"] = pick(h.d, notes...)
		}
	}
}

// order sorts events as a shop would have typed them: by day, late ones apart.
func order(events []event) {
	slices.SortStableFunc(events, func(a, b event) int {
		if a.when.day != b.when.day {
			return int(a.when.day - b.when.day)
		}
		return a.when.minute - b.when.minute
	})
}
