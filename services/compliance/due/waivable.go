package due

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
)

// Waivable says whether a waiver excuses a unit from the rule's limits: not from law, and not from the end of a life.
func (r *Rule) Waivable() bool { return r.Authority != Law && !r.EndOfLife }

// RuleFrom returns a rule as each revision of its pack has it that is in force on a day or comes into force after it; none if no
// such revision has it. The rules belong to packs.
func RuleFrom(packs []Pack, pack, rule string, day civil.Date) (out []*Rule) {
	for _, r := range revisions(nil, slices.DeleteFunc(slices.Clone(packs), func(p Pack) bool { return p.ID != pack }), time.Time{}) {
		if !r.until.IsZero() && r.until.First() <= day {
			continue
		}
		if found := r.pack.rule(rule); found != nil {
			out = append(out, found)
		}
	}
	return out
}

// DateAt returns the civil date of an instant where a unit is at that instant.
func DateAt(stays []Stay, at time.Time) civil.Date { return dateAt(stays, at) }

// text tells of the waiver: the days, who signed and why.
func (w *Waived) text() string {
	s := fmt.Sprintf("A signed waiver excuses the unit from this rule from %s to %s, both included", w.From, w.To)
	if w.Signer != "" {
		s += "; signed by " + w.Signer
	}
	if reason := strings.TrimRight(w.Reason, ". "); reason != "" {
		s += ": " + reason
	}
	return s + "."
}
