package main

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

func TestParseOutfit(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		give string
		n    int32
		want string
		tags int
	}{
		{"bcd", 1, "bcd", 0},
		{"regulator-set, bcd:M, 2 cylinder:12L", 1, "regulator-set, bcd:M, 2 cylinder:12L", 0},
		{"6: regulator-set,bcd: M ", 6, "regulator-set, bcd:M", 0},
		{"2 cylinder:11.1 L", 1, "2 cylinder:11.1 L", 0},
		{"bcd:M, @GB-CMP-007", 1, "bcd:M, ", 1},
	} {
		w, err := parseOutfit(tt.give)
		if err != nil {
			t.Errorf("%q: %v", tt.give, err)
			continue
		}
		if got := outfitWords(w.outfit); got != tt.want || w.outfit.GetCount() != tt.n || len(w.tags) != tt.tags {
			t.Errorf("%q: %d of %q with %d tags, want %d of %q with %d", tt.give, w.outfit.GetCount(), got, len(w.tags), tt.n, tt.want, tt.tags)
		}
	}
	for _, give := range []string{"", "BCD", "bcd M", "bcd,,", "0 bcd", "21 bcd", "0: bcd", "101: bcd", "@", "@ GB-1", "two bcd"} {
		if w, err := parseOutfit(give); err == nil {
			t.Errorf("%q is read as %q", give, outfitWords(w.outfit))
		}
	}
}

func TestDivers(t *testing.T) {
	t.Parallel()
	if w, err := parseOutfits([]string{"bcd:M, cylinder"}, 12); err != nil || len(w) != 1 || w[0].outfit.GetCount() != 12 {
		t.Errorf("12 divers: %v %v", w, err)
	}
	for _, give := range [][]string{{"6: bcd"}, {"bcd", "cylinder"}, {"@GB-BCD-001"}} {
		if _, err := parseOutfits(give, 12); err == nil {
			t.Errorf("12 divers of %q are read", give)
		}
	}
}

func TestWay(t *testing.T) {
	t.Parallel()
	for give, want := range map[string]time.Duration{"90m": 90 * time.Minute, "2h": 2 * time.Hour, "1d12h": 36 * time.Hour, "3d": 72 * time.Hour} {
		got, err := parseWay(give)
		if err != nil || got != want {
			t.Errorf("%q: %v %v, want %v", give, got, err, want)
		}
		if back, err := parseWay(showWay(durationpb.New(want))); err != nil || back != want {
			t.Errorf("%v is shown as %q", want, showWay(durationpb.New(want)))
		}
	}
	for _, give := range []string{"", "d", "2", "-2h", "1d-2h", "30s", "60d1m", "999d"} {
		if got, err := parseWay(give); err == nil {
			t.Errorf("%q is read as %v", give, got)
		}
	}
}

// sent turns an error into what a client gets of it.
func sent(err error) error { return rpc.Status(err).Err() }

// What a gate refuses is told unit by unit, each reason with what clears it, and with an exit code of its own.
func TestRefused(t *testing.T) {
	t.Parallel()
	e := errs.New(errs.Precondition, "HAND_OUT_REFUSED", "nothing was handed out: GB-REG-014: Reported on 2026-06-05: free-flow.")
	e.Violations = []errs.Violation{
		{Field: "units/GB-REG-014", Reason: "HOLD_OPEN", Description: "GB-REG-014: Reported on 2026-06-05: free-flow. What would clear it: A pass of inspection."},
		{Field: "units/GB-REG-014", Reason: "OUT", Description: "GB-REG-014: The unit is out, and due back at noon. What would clear it: Its return."},
		{Field: "kinds/bcd/M", Reason: "NOT_AVAILABLE", Description: "3 BCDs of size M wanted, and 2 can be promised"},
	}
	var out, errw bytes.Buffer
	a := &app{out: &out, err: &errw}
	err := a.refused(sent(e), "It may not be handed out, so nothing was:")
	want := `It may not be handed out, so nothing was:
  GB-REG-014
    Reported on 2026-06-05: free-flow.
      clears: A pass of inspection.
    The unit is out, and due back at noon.
      clears: Its return.
  bcd, size M
    3 BCDs of size M wanted, and 2 can be promised
`
	if out.String() != want {
		t.Errorf("printed\n%s\nwant\n%s", out.String(), want)
	}
	if code := printError(&errw, err, true); code != exitRefused || !strings.Contains(errw.String(), "Nothing was written.") || !strings.Contains(errw.String(), "allocations swap") || !strings.Contains(errw.String(), "strandline: nothing was handed out (HAND_OUT_REFUSED)\n") {
		t.Errorf("exit code %d\n%s", code, errw.String())
	}
	out.Reset()
	a.set.Output = "json"
	if a.refused(sent(e), "") == nil || !strings.Contains(out.String(), `"about": "units/GB-REG-014"`) || !strings.Contains(out.String(), `"clears": "Its return."`) {
		t.Errorf("as JSON:\n%s", out.String())
	}
	out.Reset()
	other := status.Error(codes.NotFound, "there is none")
	if got := a.refused(other, "x"); !errors.Is(got, other) || out.Len() > 0 {
		t.Errorf("another error became %v, and %q was printed", got, out.String())
	}
}

// A shut gate names the paper list of the shop.
func TestGateShut(t *testing.T) {
	t.Parallel()
	var errw bytes.Buffer
	code := printError(&errw, sent(errs.New(errs.Unavailable, "GATE_SHUT", "the gate is shut: history does not answer", "shop", "orgs/demo/shops/kelpquay")), true)
	if code != exitUnavailable || !strings.Contains(errw.String(), "'strandline paper --shop kelpquay'") || strings.Contains(errw.String(), "Nothing was written.") {
		t.Errorf("exit code %d\n%s", code, errw.String())
	}
}

func TestChainDays(t *testing.T) {
	t.Parallel()
	for days, want := range map[int][]int{
		1:  {0},
		10: {0, 1, 2, 3, 4, 5, 6, 7, 8, 9},
		11: {0, 1, 2, 3, 4, 5, 6, 7, 8, 9},
		30: {0, 1, 2, 3, 7, 11, 15, 19, 23, 27},
		90: {0, 1, 2, 3, 17, 31, 45, 59, 73, 87},
	} {
		if got := chainDays(days); !slices.Equal(got, want) {
			t.Errorf("%d days: %v, want %v", days, got, want)
		}
	}
}

// The days on which something becomes short or is promised are not left out of the table, whichever they are.
func TestDaysToShow(t *testing.T) {
	t.Parallel()
	list := func(of map[int]int64) []int64 {
		out := make([]int64, 90)
		for d, n := range of {
			out[d] = n
		}
		return out
	}
	rows := []*compliancepb.ChainRow{
		{Short: list(map[int]int64{40: 2, 41: 2, 50: 1}), Promised: list(map[int]int64{2: 4, 5: 1, 40: 3, 60: 1, 70: 1})},
		{Short: list(map[int]int64{50: 1}), Promised: list(nil)},
	}
	if got, want := daysToShow(rows, 90), []int{0, 1, 2, 3, 5, 17, 31, 40, 50, 60}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if got, want := daysToShow(nil, 90), chainDays(90); !slices.Equal(got, want) {
		t.Errorf("of nothing %v, want %v", got, want)
	}
	if got, want := daysToShow(rows, 10), chainDays(10); !slices.Equal(got, want) {
		t.Errorf("of ten days %v, want %v", got, want)
	}
}

func TestPrintChain(t *testing.T) {
	t.Parallel()
	var out bytes.Buffer
	a := &app{out: &out, err: &bytes.Buffer{}}
	a.printChain(&compliancepb.SummarizeChainResponse{
		Rows: []*compliancepb.ChainRow{
			{
				Shop: "orgs/o/shops/lagoon", Kind: "bcd", FirstDate: &date.Date{Year: 2026, Month: 12, Day: 30}, Owned: 12,
				Ready: []int64{9, 9, 8, 8}, Promised: []int64{4, 0, 0, 0}, Out: []int64{0, 0, 0, 0}, Short: []int64{0, 2, 2, 1},
			},
			{Shop: "orgs/o/shops/reef", Kind: "regulator-set", FirstDate: &date.Date{Year: 2026, Month: 12, Day: 31}, Owned: 3, Ready: []int64{0, 3, 3, 3}, Pulled: []int64{3, 0, 0, 0}},
		},
		Moves: []*compliancepb.Move{{Sentence: "Take two from reef to lagoon."}},
	}, chainDays(4))
	want := `lagoon
  kind  owned            30 Dec  31 Dec  1 Jan  2 Jan
  bcd      12  ready          9       9      8      8
               promised       4       .      .      .
               short          .       2      2      1

reef
  kind           owned          31 Dec  1 Jan  2 Jan  3 Jan
  regulator-set      3  ready        0      3      3      3
                        pulled       3      .      .      .

lagoon is short of BCDs: 2 from 2026-12-31 to 2027-01-01, 1 on 2027-01-02.

What could be moved
  Take two from reef to lagoon.
`
	if out.String() != want {
		t.Errorf("printed\n%s\nwant\n%s", out.String(), want)
	}
}

func TestUnitLine(t *testing.T) {
	t.Parallel()
	u := &compliancepb.UnitState{AssetTag: "GB-BCD-021", Kind: "bcd", Size: "M", Shop: "orgs/o/shops/lagoon", MayHandOut: true, UseByDate: &date.Date{Year: 2026, Month: 12, Day: 1}, DivesLeft: proto.Int64(1)}
	if got, want := unitLine(u), "unit         GB-BCD-021  bcd M  lagoon  may be handed out; use by 2026-12-01, 1 dive left"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	u = &compliancepb.UnitState{AssetTag: "GB-REG-014", Kind: "regulator-set", Shop: "orgs/o/shops/lagoon", Reasons: []typepb.Reason{typepb.Reason_REASON_HOLD_OPEN}}
	if got, want := unitLine(u), "unit         GB-REG-014  regulator-set  lagoon  may not be handed out: on hold"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
