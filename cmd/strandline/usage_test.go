package main

import (
	"path/filepath"
	"testing"
)

// TestUsageIsToldAsItWasLogged logs an estimate, a meter that began again at zero and a compressor's intake, by command and by
// spreadsheet, corrects them, and reads what the ledger and the clocks tell of them.
func TestUsageIsToldAsItWasLogged(t *testing.T) {
	t.Parallel()
	env := toldFleet(t)
	wants(t, must(t, env, "log", "usage", "REG-1", "--dives", "6", "--estimated", "--at", "2024-07-01 10:00"), "6 dives (estimate)")
	wants(t, must(t, env, "log", "usage", "REG-2", "--meter-dives", "990", "--at", "2024-03-01 10:00"), "meter shows 990 dives")
	wants(t, must(t, env, "log", "usage", "REG-2", "--meter-dives", "12", "--rollover", "1000", "--at", "2024-04-01 10:00"), "meter shows 12 dives; began again at zero after 1000")
	wants(t, must(t, env, "log", "usage", "REG-2", "--running-time", "1h30m", "--celsius", "-4", "--at", "2024-04-02 10:00"), "drawn in at -4 °C")
	wants(t, must(t, env, "log", "usage", "REG-2", "--meter-running-time", "2h", "--rollover", "1000h", "--at", "2024-04-03 10:00"), "began again at zero after 1000h")
	dir := t.TempDir()
	sheetsIn(t, dir,
		"usage.csv", "asset_tag,date,time,dives,estimated,celsius,reference\nREG-2,2024-04-04,10:00,3,yes,,B-1\n",
		"meters.csv", "asset_tag,date,time,measure,reading,rollover,reference\nREG-2,2024-04-05,10:00,dives,40,,B-2\nREG-2,2024-04-06,10:00,dives,7,50,B-3\n",
		"amendments.csv", "tag,date,time,corrects,reason,reading,rollover,estimated\nREG-2,2024-04-07,10:00,B-2,typed 40 for 45,45,,\nREG-2,2024-04-07,10:01,B-3,it has a hundred counts,,100,\nREG-2,2024-04-07,10:02,B-1,the log was found,,,no\n",
	)
	must(t, env, "import", dir)
	wants(t, must(t, append(env, "COLUMNS=400"), "history", "REG-2"),
		"3 dives (estimate) [B-1]", "meter shows 45 dives [B-2]", "meter shows 7 dives; began again at zero after 100 [B-3]", "3 dives [B-1] (the log was found)")

	// 990 + 22 after the rollover, 3 of the found log, 33 to the reading of 45, and 62 to that of 7 on a meter of a hundred counts.
	wants(t, must(t, env, "unit", "show", "REG-2", "--output", "json"), `"divesUsed": "1110"`, `"divesEstimated": "0"`)
	wants(t, must(t, env, "unit", "show", "REG-1", "--output", "json"), `"divesEstimated": "6"`)
	wants(t, must(t, env, "unit", "show", "REG-1"), "6 of 15 dives are estimates")
	wants(t, must(t, env, "due", "--by", "usage", "--horizon", "3650"), "6 of 15 dives are estimates")
	wants(t, must(t, env, "explain", "REG-1"), "an estimate of 6 dives for a missing log")

	for _, tt := range []struct {
		args []string
		want []string
	}{
		{[]string{"--dives", "3", "--rollover", "1000"}, []string{"--rollover", "--meter-dives 12"}},
		{[]string{"--meter-dives", "3", "--rollover", "1000h"}, []string{`--rollover "1000h"`, "for example 1000"}},
		{[]string{"--meter-running-time", "3h", "--rollover", "1000"}, []string{`--rollover "1000"`, "250h"}},
		{[]string{"--meter-running-time", "3h", "--rollover", "1000.5ms"}, []string{"whole seconds"}},
		{[]string{"--estimated"}, []string{"say how much"}},
	} {
		got := command(t, env, append([]string{"log", "usage", "REG-2"}, tt.args...)...)
		if got.code != exitUsage {
			t.Errorf("%v: exit code %d", tt.args, got.code)
		}
		wants(t, got.err, tt.want...)
	}
	for _, args := range [][]string{{"--meter-dives", "12", "--rollover", "12"}, {"--running-time", "1h", "--celsius", "91"}} {
		if got := command(t, env, append([]string{"log", "usage", "REG-2"}, args...)...); got.code != exitRejected {
			t.Errorf("%v: exit code %d: %s", args, got.code, got.err)
		}
	}

	sheetsIn(t, filepath.Join(dir, "bad"),
		"amendments.csv", "tag,date,time,corrects,reason,dives,reading\nREG-2,2024-04-08,10:00,B-1,wrong column,,4\nREG-2,2024-04-08,10:01,B-2,wrong column,4,\n")
	got := command(t, env, "import", filepath.Join(dir, "bad"))
	if got.code == exitOK {
		t.Error("a reading corrected an increment")
	}
	wants(t, got.stdout+got.err, "the entry is no meter reading", "the entry is a meter reading, not an increment")
}
