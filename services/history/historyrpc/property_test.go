package historyrpc_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// Random batches with repeats, reused ids, amendments and faults, against a model that is a list: after each batch the ledger is the
// model, or unchanged if the model refuses the batch; the chain verifies.
func TestAppendAgainstModel(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		org := fmt.Sprint("run-", run)
		_, units := r.fleet(org, 3)
		c := r.client(org)
		var ledger []*historypb.Entry
		byName := map[string]*historypb.Entry{}
		condemned := map[string]bool{} // targets
		for batch := range rapid.IntRange(1, 6).Draw(rt, "batches") {
			r.clock.Advance(time.Duration(rapid.IntRange(0, 10).Draw(rt, "wait")) * time.Second)
			var entries, fresh []*historypb.Entry
			draft := map[string]*historypb.Entry{}
			known := func(name string) *historypb.Entry {
				if e := draft[name]; e != nil {
					return e
				}
				return byName[name]
			}
			dead := map[string]bool{}
			for k := range condemned {
				dead[k] = true
			}
			ok := true
			for range rapid.IntRange(1, 8).Draw(rt, "entries") {
				unit := rapid.SampledFrom(units).Draw(rt, "unit")
				at := r.clock.Now().Add(-time.Duration(rapid.IntRange(0, 1000).Draw(rt, "ago")) * time.Minute)
				var e *historypb.Entry
				pool := append(append([]*historypb.Entry{}, ledger...), entries...)
				action := rapid.SampledFrom([]string{"dives", "dives", "work", "work", "amend", "amend", "repeat", "reuse", "wrong"}).Draw(rt, "action")
				if len(pool) == 0 && (action == "amend" || action == "repeat" || action == "reuse") {
					action = "dives"
				}
				switch action {
				case "dives":
					e = dives(unit, at, 1)
				case "work":
					e = work(unit, at, historypb.Outcome(rapid.IntRange(1, 4).Draw(rt, "outcome")))
				case "amend":
					target := rapid.SampledFrom(pool).Draw(rt, "target")
					var with *historypb.Replacement
					if rapid.Bool().Draw(rt, "replaces") {
						with = &historypb.Replacement{OccurredTime: timestamppb.New(at), Detail: &historypb.Replacement_Service{Service: &historypb.Service{
							Activities: []string{"inspection"}, Outcome: historypb.Outcome(rapid.IntRange(1, 4).Draw(rt, "outcome")),
						}}}
					}
					e = amend(target, at, with)
				case "repeat":
					e = rapid.SampledFrom(pool).Draw(rt, "again")
				case "reuse":
					e = proto.CloneOf(rapid.SampledFrom(pool).Draw(rt, "id"))
					e.Note += "other"
				case "wrong":
					e = dives(unit, at, 1)
					if rapid.IntRange(0, 3).Draw(rt, "really") == 0 {
						e.OccurredTime = timestamppb.New(r.clock.Now().Add(time.Hour))
						ok = false
					}
				}
				entries = append(entries, e)

				if have := known(e.GetName()); have != nil {
					ok = ok && proto.Equal(have, e)
					continue
				}
				draft[e.GetName()] = e
				fresh = append(fresh, e)
				if a := e.GetAmendment(); a != nil {
					target := known(a.GetCorrectedEntry())
					if target == nil || target.GetAmendment() != nil || target.GetService().GetOutcome() == historypb.Outcome_OUTCOME_CONDEMNED || dead[a.GetCorrectedEntry()] {
						ok = false
					}
					if a.GetReplacement().GetService().GetOutcome() == historypb.Outcome_OUTCOME_CONDEMNED {
						dead[a.GetCorrectedEntry()] = true
					}
				}
			}
			got, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + org, Entries: entries})
			switch {
			case ok && err != nil:
				rt.Fatalf("batch %d of good entries: %v", batch, err)
			case !ok && status.Code(err) != codes.InvalidArgument:
				rt.Fatalf("batch %d with a fault: %v, %v", batch, got, err)
			case ok:
				ledger = append(ledger, fresh...)
				for name, e := range draft {
					byName[name] = e
				}
				condemned = dead
				if got.GetPosition().GetHistory() > int64(len(ledger)) {
					rt.Fatalf("position %v of a ledger of %d", got.GetPosition(), len(ledger))
				}
				for i, rec := range got.GetReceipts() {
					if rec.GetEntry() != entries[i].GetName() || ledger[rec.GetSequence()-1].GetName() != rec.GetEntry() {
						rt.Fatalf("receipt %d: %v", i, rec)
					}
				}
			}
			verify(t, c, org, int64(len(ledger)))
			var have, want []string
			for _, e := range r.list(org, &historypb.ListEntriesRequest{PageSize: 1000}) {
				have = append(have, e.GetName())
			}
			for _, e := range ledger {
				want = append(want, e.GetName())
			}
			if strings.Join(have, "\n") != strings.Join(want, "\n") {
				rt.Fatalf("after batch %d the ledger is\n%v\nwant\n%v", batch, have, want)
			}
		}
	})
}
