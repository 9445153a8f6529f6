package packs

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/predicate"
)

var idPattern = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`)

// Of returns the pack of a revision that has passed the checks its proto states, and a violation, RULE_PACK_INVALID, for
// every rule and field with which it contradicts itself, or that is beyond MaxPredicates. Field paths are below path, for example `rule_pack`. A predicate
// that does not compile restricts nothing: a rule too many is safer than one too few.
func Of(id, path string, p *compliancepb.RulePack) (due.Pack, []errs.Violation) {
	return new(Batch).Of(id, path, p)
}

// Batch reads packs that are asked about together: it compiles each predicate once, and MaxPredicates bounds those of all of them. The
// zero value is ready.
type Batch struct{ known compiled }

// Of is as the function Of.
func (b *Batch) Of(id, path string, p *compliancepb.RulePack) (due.Pack, []errs.Violation) {
	r := reader{known: &b.known}
	out := r.pack(id, path, p)
	return out, r.violations
}

// reader converts a pack and collects what is wrong with it.
type reader struct {
	violations []errs.Violation
	predicates map[string]*predicate.Error // by the field whose violation it is
	known      *compiled
}

func (r *reader) bad(field, value, description string) {
	r.violations = append(r.violations, errs.Violation{Field: field, Value: value, Description: description, Reason: "RULE_PACK_INVALID"})
}

func (r *reader) pack(id, path string, p *compliancepb.RulePack) due.Pack {
	out := due.Pack{ID: id, Revision: p.GetRevision(), Cautions: p.GetCautions(), Rules: make([]due.Rule, len(p.GetRules()))}
	if t := p.GetCreateTime(); t != nil {
		out.Published = t.AsTime().Truncate(time.Microsecond) // what the database keeps
	}
	if !idPattern.MatchString(id) {
		r.bad(path+".name", id, "want orgs/{org}/rulePacks/{pack} with a pack of 1 to 40 lower-case letters, digits and hyphens")
	}
	d := p.GetEffectiveDate()
	effective, err := markOf(d)
	switch {
	case err != nil:
		r.bad(path+".effective_date", dateText(d), err.Error()+"; want a day that there is")
	case effective.IsZero() || effective.IsMonth():
		r.bad(path+".effective_date", dateText(d), "want a full date: the first day the revision is in force")
	}
	out.Effective = effective.First()
	seen := map[string]bool{}
	for i, rule := range p.GetRules() {
		at := fmt.Sprintf("%s.rules[%d]", path, i)
		if seen[rule.GetId()] {
			r.bad(at+".id", rule.GetId(), "another rule of the pack has this id: state one of its own")
		}
		seen[rule.GetId()] = true
		out.Rules[i] = r.rule(id, at, rule)
	}
	r.circles(path, out.Rules)
	out.Proofs = r.proofs(path, p.GetConditionProofs())
	return out
}

func (r *reader) scope(at string, p *compliancepb.Scope) due.Scope {
	s := due.Scope{Kinds: p.GetKinds(), Jurisdictions: p.GetJurisdictions(), Makers: p.GetMakers()}
	if len(p.GetAttributes()) > 0 {
		s.Attributes = make(map[string][]string, len(p.GetAttributes()))
	}
	for key, value := range p.GetAttributes() {
		s.Attributes[key] = strings.Split(value, "|")
		if slices.Contains(s.Attributes[key], "") {
			r.bad(at+".attributes["+key+"]", value, "want values separated by `|`, none of them empty")
		}
	}
	if p.GetWhere() == "" {
		return s
	}
	field := at + ".where"
	where, err := r.known.compile(p.GetWhere())
	if err == nil {
		if where != nil {
			s.Where = where
		}
		return s
	}
	r.bad(field, p.GetWhere(), err.Error())
	var placed *predicate.Error
	if errors.As(err, &placed) {
		if r.predicates == nil {
			r.predicates = map[string]*predicate.Error{}
		}
		r.predicates[field] = placed
	}
	return s
}

func (r *reader) proofs(path string, ps []*compliancepb.ConditionProof) (out []due.Proof) {
	others := false
	seen := map[string]bool{}
	for i, p := range ps {
		at := fmt.Sprintf("%s.condition_proofs[%d].conditions", path, i)
		if len(p.GetConditions()) == 0 {
			if others {
				r.bad(at, "", "another proof of the pack is about all other conditions already: state the conditions of this one, or leave it out")
			}
			others = true
		}
		for j, c := range p.GetConditions() {
			if seen[c] {
				r.bad(fmt.Sprintf("%s[%d]", at, j), c, "the pack says twice what lifts this condition: state it once")
			}
			seen[c] = true
		}
		out = append(out, due.Proof{Conditions: p.GetConditions(), ClearedBy: p.GetClearedBy()})
	}
	return out
}

func markOf(d *date.Date) (civil.Mark, error) {
	if d == nil {
		return civil.Mark{}, nil
	}
	return civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
}

// dateText writes a date that may not exist.
func dateText(d *date.Date) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}
