package order

import (
	"fmt"
	"maps"
	"slices"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/history/procedure"
)

// parts tells where parts do not add up: every one that was taken out was discarded or put back, what goes in is as many as came out or should have, what is
// replaced always is new, and every new one is from a lot that is known, of that part, and not past its shelf life.
func (r *readiness) parts() {
	r.inSteps()
	for _, id := range slices.Sorted(maps.Keys(r.o.Parts)) {
		t, part := r.o.Parts[id], r.p.Part(id)
		bad := func(text string, args ...any) {
			r.add(Problem{Reason: PartsDoNotAddUp, Part: id, Value: t.String()}, id+": "+text, args...)
		}
		if part == nil {
			bad("the procedure has no such part: withdraw what was recorded of it, or record it as a finding")
			continue
		}
		if out, gone := t.Removed, t.Discarded+t.Refitted; out != gone {
			bad("%d removed, and %d discarded and %d refitted: account for every one", out, t.Discarded, t.Refitted)
		}
		if out, in := t.Removed+t.Absent, t.Fitted+t.Refitted; out != in {
			bad("%d removed and %d absent, and %d fitted and %d refitted: as many go in as came out or should have", t.Removed, t.Absent, t.Fitted, t.Refitted)
		}
		if part.Policy == procedure.Replace && t.Refitted > 0 {
			bad("%d put back in: it is replaced always, so discard it and fit a new one", t.Refitted)
		}
		if part.Policy == procedure.Refit && t.Discarded > 0 {
			r.add(Problem{Reason: PartReplaced, Flag: true, Part: id, Value: t.String()}, "%s: %d discarded, though the procedure has the same one go back in", id, t.Discarded)
		}
		r.lots(part, t)
	}
}

// inSteps tells of steps that were done with fewer parts out or in than they ask for.
func (r *readiness) inSteps() {
	for i := range r.p.Steps {
		s := &r.p.Steps[i]
		d := r.o.Steps[s.ID]
		if d.Times == 0 || !s.For(r.o.Opening.Kind) {
			continue
		}
		for _, side := range []struct {
			want []procedure.Count
			got  map[string]int
			word string
		}{{s.Removes, d.Removed, "removed or absent"}, {s.Fits, d.Installed, "fitted or refitted"}} {
			for _, c := range side.want {
				if got := side.got[c.Part]; got < c.Count {
					r.add(Problem{Reason: PartsDoNotAddUp, Step: s.ID, Part: c.Part, Value: fmt.Sprint(got)}, "%s: the step %s has %d of them %s, and %d are recorded: record what became of each", c.Part, s.ID, c.Count, side.word, got)
				}
			}
		}
	}
}

// lots tells of new parts without a lot, or from one that they cannot be from. A lot of which all came out again is of no account.
func (r *readiness) lots(part *procedure.Part, t Tally) {
	if t.Unnamed > 0 {
		r.add(Problem{Reason: LotMissing, Part: part.ID, Value: fmt.Sprint(t.Unnamed)}, "%s: %d fitted and not said from which lot: name it", part.ID, t.Unnamed)
	}
	for _, id := range slices.Sorted(maps.Keys(t.Lots)) {
		from := t.Lots[id]
		lot, known := r.f.Lots[id]
		day := civil.In(from.Last, r.f.Zone)
		switch at := (Problem{Part: part.ID, Value: id}); {
		case from.TakenOut > from.Fitted:
			at.Reason = PartsDoNotAddUp
			r.add(at, "%s: %d from the lot %s came out again, and %d were fitted: account for every one", part.ID, from.TakenOut, id, from.Fitted)
		case from.TakenOut == from.Fitted: // none of it is in the unit
		case !known:
			at.Reason = LotUnknown
			r.add(at, "%s: there is no lot %s: register it, or take the part out, naming the lot, and fit one from another", part.ID, id)
		case lot.Part != "" && lot.Part != part.ID:
			at.Reason = LotOfOtherPart
			r.add(at, "%s: the lot %s is of %s: name the lot that it is from", part.ID, id, lot.Part)
		case !lot.Expires.IsZero() && day > lot.Expires.Last():
			at.Reason = LotExpired
			r.add(at, "%s: the shelf life of the lot %s ended with %s, and it was fitted on %s: take it out, naming the lot, and fit one from another", part.ID, id, lot.Expires.Last(), day)
		}
	}
}

// String writes a tally.
func (t Tally) String() string {
	return fmt.Sprintf("%d removed, %d absent, %d discarded, %d fitted, %d refitted", t.Removed, t.Absent, t.Discarded, t.Fitted, t.Refitted)
}
