package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/clock"
)

// runAt runs a command line in this process at an instant.
func runAt(t testing.TB, now time.Time, args ...string) outcome {
	t.Helper()
	var out, errw bytes.Buffer
	a := newApp(strings.NewReader(""), &out, &errw, nil)
	a.clk = clock.NewFake(now)
	return outcome{a.run(t.Context(), args), out.String(), errw.String()}
}

// counter runs commands at the demo's chain, at an instant at which it is in order.
type counter struct {
	t   *testing.T
	p   place
	now time.Time
}

func (c *counter) run(code int, args ...string) string {
	c.t.Helper()
	o := runAt(c.t, c.now, append(args, c.p.flags()...)...)
	if o.code != code {
		c.t.Fatalf("%v: exit code %d, want %d\n%s%s", args, o.code, code, o.stdout, o.err)
	}
	return o.stdout + o.err
}

// What a counter does in a day, from the command line.
func TestCounter(t *testing.T) {
	t.Parallel()
	c := &counter{t, demoPlace(t), demoBegin.Add(90 * time.Minute)}
	window := []string{"--from", "2026-11-21 10:00", "--to", "2026-11-21 17:00"}
	with := func(args ...string) []string { return append(args, window...) }

	wants(t, c.run(exitOK, with("available", "--shop", "kelpquay", "--want", "regulator-set, bcd:M, cylinder", "--divers", "3", "--dives-per-day", "2")...), "kelpquay: all of it, 3 outfits", "GB-CYL-", "That is 2 dives of each unit", "--dives 2.")
	wants(t, c.run(exitOK, with("available", "--shop", "kelpquay", "--want", "bcd:M", "--divers", "6", "--alternatives")...), "kelpquay: 5 of 6 outfits", "4 of L", "there are none", "What else could be done", "Sandbar Landing")
	wants(t, c.run(exitOK, with("available", "--shop", "bommie", "--kind", "regulator-set", "--explain")...), "9 may be promised, 2 may not", "If one thing were cleared", "AU-REG-005")

	wants(t, c.run(exitOK, with("available", "--shop", "bommie", "--want", "100: bcd:M", "--alternatives")...), "bommie: ", "No window within 14 days and no other shop has all of it.")
	wants(t, c.run(exitOK, with("available", "--shop", "bommie", "--kind", "bdc")...), "No unit is of this kind, size and shop")
	wants(t, c.run(exitNotFound, with("available", "--shop", "bomie", "--kind", "bcd")...), "orgs/demo/shops/bomie does not exist")
	wants(t, c.run(exitOK, "chain", "--kind", "bdc"), "No unit that is handed out on its own is of this kind and shop")

	// A day is a day by the clock of each shop: what goes out in the evening at a shop in the west is not free there on that day.
	c.run(exitOK, "allocations", "allocate", "--shop", "sandbar", "--from", "2026-11-28 18:00", "--to", "2026-11-28 22:00", "--want", "@US-BCD-001", "--reference", "R-6")
	wants(t, c.run(exitOK, "available", "--kind", "bcd", "--size", "M", "--from", "2026-11-28", "--to", "2026-11-28", "--explain"), "no   US-BCD-001", "2026-11-28 18:00 to 2026-11-28 22:00, by the clock of its shop", "yes  AU-BCD-001", "yes  GB-BCD-001")
	wants(t, c.run(exitOK, "available", "--want", "bcd:M", "--from", "2026-11-28 09:00", "--to", "2026-11-28 17:00"), "bommie: all of it", "kelpquay: all of it", "sandbar: all of it")
	c.run(exitOK, "allocations", "release", "R-6")

	got := c.run(exitRefused, with("allocations", "allocate", "--shop", "kelpquay", "--want", "bcd:M", "--divers", "9")...)
	wants(t, got, "It cannot be promised, so nothing was:", "bcd, size M", "Nothing was written.", "(NOT_AVAILABLE)", "--alternatives")
	wants(t, c.run(exitOK, with("allocations", "allocate", "--shop", "kelpquay", "--want", "bcd:M", "--dry-run")...), "Dry run")
	wants(t, c.run(exitOK, "allocations", "list"), "No allocations.")
	got = c.run(exitOK, with("allocations", "allocate", "--shop", "kelpquay", "--want", "regulator-set, @GB-BCD-001", "--dives", "2", "--reference", "R-7")...)
	wants(t, got, "GB-BCD-001", "2 units", "Held until 2026-11-21 09:45", "strandline allocations confirm")
	wants(t, c.run(exitOK, "allocations", "confirm", "R-7"), "2 units confirmed.")
	wants(t, c.run(exitOK, "allocations", "extend", "R-7", "--to", "2026-11-21 18:00"), "2 units extended.", "2026-11-21 18:00")
	wants(t, c.run(exitOK, "allocations", "show", "GB-BCD-001"), "This very unit was asked for.", "Reference R-7.", "Expected: 2 dives.")
	wants(t, c.run(exitNotFound, "allocations", "show", "R-8"), "has the tag or the reference R-8")
	wants(t, c.run(exitOK, "allocations", "list", "--shop", "kelpquay", "--reference", "R-7"), "confirmed")

	// A unit that was asked for by its tag is held: the promise is in conflict, the gate refuses, and somebody chooses another.
	wants(t, c.run(exitOK, "hold", "GB-BCD-001", "--reason", "the inflator sticks"), "It concerns 1 promise:", "R-7        kelpquay  2026-11-21 10:00  2026-11-21 18:00  GB-BCD-001", "in conflict: this very unit was asked for")
	wants(t, c.run(exitOK, "allocations", "list", "--in-conflict"), "GB-BCD-001", "the inflator sticks")
	wants(t, c.run(exitRefused, "handout", "R-7"), "It may not be handed out, so nothing was:", "GB-BCD-001", "the inflator sticks", "clears: ", "(HAND_OUT_REFUSED)", "allocations swap", "Nothing was written.")
	wants(t, c.run(exitOK, "allocations", "swap", "GB-BCD-001", "--reason", "it sticks"), "takes the place of GB-BCD-001.")
	wants(t, c.run(exitOK, "handout", "R-7", "--dry-run"), "the gate would let them through")
	wants(t, c.run(exitOK, "handout", "R-7"), "2 units handed out.", "Caution: the gate knows what was recorded")
	out := c.run(exitOK, "allocations", "list", "--shop", "kelpquay")
	wants(t, out, " out ")
	wants(t, c.run(exitRejected, "allocations", "release", firstUUID(t, c.run(exitOK, "allocations", "show", "R-7"))), "(ALLOCATION_STATE)", "'strandline allocations show'")

	wants(t, c.run(exitOK, "chain", "--shop", "kelpquay", "--kind", "bcd", "--days", "3", "--spare", "14"), "21 Nov", "kelpquay is short of BCDs")
	wants(t, c.run(exitOK, "transfer-times", "set", "sandbar", "kelpquay", "2d4h", "--both"), "From kelpquay to sandbar it takes 2d4h.")
	wants(t, c.run(exitOK, "transfer-times", "list"), "sandbar   kelpquay   2d4h")
	wants(t, c.run(exitOK, "paper", "--shop", "kelpquay", "--org", "demo"), "PAPER LIST of Kelp Quay", "GB-BCD-002")

	all := c.run(exitOK, "watch", "--shop", "kelpquay", "--once")
	wants(t, all, "GB-BCD-001  bcd M  kelpquay  may not be handed out: on hold", "  out from 2026-11-21 09:30 to 2026-11-21 18:00  R-7", "all told", "Go on with: strandline watch --shop kelpquay --resume ")
	_, token, _ := strings.Cut(all, "--resume ")
	rest := c.run(exitOK, "watch", "--shop", "kelpquay", "--once", "--resume", strings.TrimSpace(token))
	if strings.Contains(rest, "GB-BCD-001") {
		t.Errorf("what was taken in is told again:\n%s", rest)
	}
	wants(t, c.run(exitRejected, "watch", "--once", "--resume", "nonsense"), "(RESUME_TOKEN_INVALID)", "begin anew")
	if out := c.run(exitRejected, "watch", "--once", "--resume", "nonsense"); strings.Contains(out, "Go on with") {
		t.Errorf("a token that was refused is told to go on with:\n%s", out)
	}

	set := tagOf(t, out, "GB-REG-")
	wants(t, c.run(exitUsage, "return", "R-7"), "how many dives were made with it?") // nothing said must not count as not used
	wants(t, c.run(exitUsage, "return", set+"=3", "R-7"), "how many dives")
	wants(t, c.run(exitUsage, "return", "R-7", "--dives", "1", "--condition", "leak"), "go with one unit")
	wants(t, c.run(exitOK, "return", set+"=3", "--missing", "mouthpiece"), "1 unit came back.", set, "3 dives", "no", "part-missing")
	wants(t, c.run(exitOK, "return", "R-7", "--dives", "2"), "1 unit came back.", "GB-BCD-", "2 dives", "yes")
	wants(t, c.run(exitOK, "history", set), "part-missing", "3 dives")
	wants(t, c.run(exitNotFound, "return", "R-7", "--dives", "1"), "no allocation that is out")
	wants(t, c.run(exitOK, "allocations", "list", "--all", "--reference", "R-7"), "returned")
}

// A Saturday that was broken off is cleared away, and played anew.
func TestSaturdayBrokenOff(t *testing.T) {
	t.Parallel()
	c := &counter{t, demoPlace(t), demoBegin.Add(90 * time.Minute)}
	c.run(exitOK, "allocations", "allocate", "--shop", "sandbar", "--from", "2026-11-21 03:00", "--to", "2026-11-21 17:00", "--want", "3: regulator-set, bcd", "--reference", "saturday-1 club", "--confirm")
	out := c.run(exitOK, "allocations", "list", "--shop", "sandbar")
	c.run(exitOK, "handout", tagOf(t, out, "US-REG-"))
	wants(t, c.run(exitOK, "demo", "saturday"), "A Saturday was broken off", "are due by their dives now", "A copy made afresh has the same.")
	wants(t, c.run(exitOK, "allocations", "list", "--all", "--reference", "saturday-1 club"), "returned", "released")
	wants(t, c.run(exitOK, "demo", "saturday"), "The Saturday was played before.")
}

// It can be played years after the days of the demo's sheets.
func TestSaturdayYearsLater(t *testing.T) {
	t.Parallel()
	c := &counter{t, demoPlace(t), time.Date(2031, 3, 3, 4, 5, 6, 0, time.UTC)}
	wants(t, c.run(exitOK, "demo", "saturday"), "US-REG-004 is among them", "in conflict: it is out", "are due by their dives now", "A copy made afresh has the same.")
}

// tagOf finds the first tag in a text that begins so.
func tagOf(t *testing.T, text, prefix string) string {
	t.Helper()
	for _, w := range strings.Fields(text) {
		if strings.HasPrefix(w, prefix) {
			return w
		}
	}
	t.Fatalf("no %s in\n%s", prefix, text)
	return ""
}

// firstUUID finds the allocation in what 'allocations show' prints.
func firstUUID(t *testing.T, text string) string {
	t.Helper()
	_, rest, ok := strings.Cut(text, "Allocation ")
	if !ok || len(rest) < 36 {
		t.Fatalf("no allocation in\n%s", text)
	}
	return rest[:36]
}
