package compliancerpc

import (
	"testing"

	"buf.build/go/protoyaml"
	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance/due"
)

// TestWhatLiftsACondition reads what a report itself says lifts its hold: from the ledger, from an amendment's replacement, and from a question.
func TestWhatLiftsACondition(t *testing.T) {
	t.Parallel()
	org := tenant.Must("reef")
	const unit = "orgs/reef/units/01890000-0000-7000-8000-00000000000a/entries/01890000-0000-7000-8000-0000000000"
	for _, c := range []struct {
		name, give string
		want       due.Entry
	}{
		{"a pull that says so", `{condition: suspect, severity: SEVERITY_PULL, clearedBy: [calibration, comparison]}`, due.Entry{Condition: "suspect", Pull: true, Activities: []string{"calibration", "comparison"}}},
		{"a pull that leaves it to the packs", `{condition: drop, severity: SEVERITY_PULL}`, due.Entry{Condition: "drop", Pull: true}},
		{"a note holds nothing", `{condition: scratch, severity: SEVERITY_NOTE, clearedBy: [inspection]}`, due.Entry{Condition: "scratch"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := &historypb.Condition{}
			if err := protoyaml.Unmarshal([]byte(c.give), m); err != nil {
				t.Fatal(err)
			}
			tells := func(e *due.Entry, err error) {
				t.Helper()
				if err != nil {
					t.Fatal(err)
				}
				if e.Kind != due.Condition || e.Condition != c.want.Condition || e.Pull != c.want.Pull || !cmp.Equal(e.Activities, c.want.Activities) {
					t.Errorf("%+v, want %+v", e, c.want)
				}
			}
			at := timestamppb.New(now)
			tells(entryOf(org, &historypb.Entry{Name: unit + "0b", OccurredTime: at, RecordedTime: at, Detail: &historypb.Entry_Condition{Condition: m}}))
			corrected, err := entryOf(org, &historypb.Entry{Name: unit + "0c", OccurredTime: at, RecordedTime: at, Detail: &historypb.Entry_Amendment{Amendment: &historypb.Amendment{
				CorrectedEntry: unit + "0b", Reason: "typed", Replacement: &historypb.Replacement{OccurredTime: at, Detail: &historypb.Replacement_Condition{Condition: m}},
			}}})
			if err != nil {
				t.Fatal(err)
			}
			tells(corrected.Correct, nil)
			q, bad := readQuestion(&compliancepb.EvaluateRequest{
				Units:   []*compliancepb.UnitFacts{{Unit: "G-1", Kind: "gauge", Stays: []*compliancepb.UnitFacts_Stay{{TimeZone: "UTC", Jurisdiction: "PT"}}}},
				Entries: []*compliancepb.EvaluatedEntry{{Unit: "G-1", OccurredTime: at, Detail: &compliancepb.EvaluatedEntry_Condition{Condition: m}}}, Instant: at,
			})
			if len(bad) > 0 {
				t.Fatal(bad)
			}
			tells(&q.input.Entries[0], nil)
		})
	}
}
