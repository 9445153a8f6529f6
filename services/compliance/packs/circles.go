package packs

import (
	"fmt"
	"slices"
	"strings"

	"strandline.example/strandline/services/compliance/due"
)

// circles refuses activities that satisfy each other, or each of which must come before the other, in a circle of rules that may be for the
// same unit: of two activities only one is the more thorough, and only one comes first. Each circle is told at the last of its rules.
func (r *reader) circles(path string, rules []due.Rule) {
	satisfied := newGraph(rules, func(rule *due.Rule) []string { return rule.SatisfiedBy })
	before := newGraph(rules, func(rule *due.Rule) (out []string) {
		for _, c := range rule.Companions {
			if c.First {
				out = append(out, c.Activity)
			} else {
				out = append(out, "") // keeps its place
			}
		}
		return out
	})
	for i := range rules {
		at := fmt.Sprintf("%s.rules[%d]", path, i)
		if j := slices.Index(rules[i].SatisfiedBy, rules[i].Activity); j >= 0 && !rules[i].EndOfLife {
			r.bad(fmt.Sprintf("%s.satisfied_by[%d]", at, j), rules[i].Activity, "that is the rule's own activity, which satisfies it anyway: leave it out")
		} else if j, way := satisfied.around(i); way != nil && !rules[i].EndOfLife {
			r.bad(fmt.Sprintf("%s.satisfied_by[%d]", at, j), way[1], "activities satisfy each other in a circle, "+strings.Join(way, " by ")+": only the more thorough one satisfies another; leave one out")
		}
		if j, way := before.around(i); len(way) > 2 { // its own activity is told elsewhere
			r.bad(fmt.Sprintf("%s.companions[%d]", at, j), way[1], "activities must come before each other in a circle, "+strings.Join(way, " after ")+": state ORDER_TOGETHER for one, or leave it out")
		}
	}
}

// graph leads from the activity of a rule to other activities.
type graph struct {
	rules   []due.Rule
	next    [][]string       // by rule
	by      map[string][]int // by activity: its rules
	compare int              // how many more scopes are compared; after that they are taken to meet
}

func newGraph(rules []due.Rule, next func(*due.Rule) []string) *graph {
	g := &graph{rules: rules, by: map[string][]int{}, compare: 5000}
	for i := range rules {
		g.next = append(g.next, next(&rules[i]))
		g.by[rules[i].Activity] = append(g.by[rules[i].Activity], i)
	}
	return g
}

// around returns the shortest way from the activity of a rule back to it, over rules up to that one that may be for the same units, and at
// which of the rule's own steps it begins. Nil if there is none.
func (g *graph) around(last int) (step int, way []string) {
	type reached struct{ from, step int } // from is an index of queue
	home := g.rules[last].Activity
	if home == "" {
		return 0, nil
	}
	var queue []string
	var how []reached
	seen := map[string]bool{"": true}
	add := func(activity string, from, step int) {
		if !seen[activity] {
			seen[activity] = true
			queue, how = append(queue, activity), append(how, reached{from, step})
		}
	}
	for j, a := range g.next[last] {
		add(a, -1, j)
	}
	for q := 0; q < len(queue); q++ {
		if queue[q] == home {
			for at := q; at >= 0; at = how[at].from {
				way = append(way, queue[at])
			}
			way = append(way, home)
			slices.Reverse(way)
			return how[q].step, way
		}
		for _, i := range g.by[queue[q]] {
			if i > last {
				break
			}
			if len(g.next[i]) == 0 || !g.meet(i, last) {
				continue
			}
			for _, a := range g.next[i] {
				add(a, q, how[q].step)
			}
		}
	}
	return 0, nil
}

func (g *graph) meet(i, j int) bool {
	g.compare--
	return g.compare < 0 || mayMeet(&g.rules[i].Scope, &g.rules[j].Scope)
}

// mayMeet says whether two scopes may cover the same unit, as far as their lists tell.
func mayMeet(a, b *due.Scope) bool {
	same := func(x, y string) bool { return x == y }
	within := func(x, y string) bool {
		return x == y || strings.HasPrefix(x, y+"-") || strings.HasPrefix(y, x+"-")
	}
	if !common(a.Kinds, b.Kinds, same) || !common(a.Makers, b.Makers, same) || !common(a.Jurisdictions, b.Jurisdictions, within) {
		return false
	}
	for key, values := range a.Attributes {
		if !common(values, b.Attributes[key], same) {
			return false
		}
	}
	return true
}

// common says whether two lists, of which an empty one does not restrict, have something in common.
func common(a, b []string, fit func(x, y string) bool) bool {
	if len(a) == 0 || len(b) == 0 {
		return true
	}
	return slices.ContainsFunc(a, func(x string) bool { return slices.ContainsFunc(b, func(y string) bool { return fit(x, y) }) })
}
