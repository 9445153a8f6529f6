package packs

import (
	"strings"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/yamlproto"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// recallShape is what files of recalls hold.
var recallShape = yamlproto.Shape{
	One: "recall", Short: "recall", Many: "recalls", Begin: "title, source, scope or lots, blocks, remediedBy", Pair: shape.Pair, Examples: shape.Examples,
}

// ReadRecall reads a file of one recall: YAML, or JSON, in the shape of strandline.compliance.v1.Recall. Like Read it tells everything that is
// wrong at once; without problems the recall can be opened.
func ReadRecall(raw []byte) (*compliancepb.Recall, []yamlproto.Problem) {
	var first *compliancepb.Recall
	problems := recallShape.Read(raw, func(f *yamlproto.Document) {
		m := &compliancepb.Recall{}
		fields := f.Decode(m)
		if first != nil {
			f.Bad("", "", "want one recall in a file: put the others into files of their own")
			return
		}
		if first = m; !fields {
			return
		}
		f.Validate(m)
		r := reader{known: &compiled{}}
		r.recall("", m)
		contradictions(f, &r)
	})
	if len(problems) > 0 {
		return nil, problems
	}
	return first, nil
}

// RecallOf returns what a recall that has passed the checks its proto states is about, and a violation, RECALL_INVALID, for every field with
// which it contradicts itself. Field paths are below path. Of whose org the lots are is not looked at. A predicate that does not compile restricts nothing: a unit too many is
// safer than one too few.
func RecallOf(path string, p *compliancepb.Recall) (due.Recall, []errs.Violation) {
	r := reader{known: &compiled{}}
	out := r.recall(path, p)
	for i := range r.violations {
		r.violations[i].Reason = "RECALL_INVALID"
	}
	return out, r.violations
}

func (r *reader) recall(path string, p *compliancepb.Recall) due.Recall {
	at, s := path+".scope", p.GetScope()
	if len(s.GetKinds())+len(s.GetMakers())+len(s.GetAttributes())+len(p.GetLots()) == 0 && s.GetWhere() == "" {
		r.bad(at, "", "covers every unit there is: state kinds, makers, attributes or where, or lots of parts beside it")
	}
	out := due.Recall{Title: p.GetTitle(), Scope: r.scope(at, s), Blocks: usesOf(p.GetBlocks()), RemediedBy: p.GetRemediedBy()}
	for _, name := range p.GetLots() {
		out.Lots = append(out.Lots, name[strings.LastIndexByte(name, '/')+1:])
	}
	return out
}
