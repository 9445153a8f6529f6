package procedure

import (
	"strandline.example/strandline/internal/errs"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
	"strandline.example/strandline/services/history/bench/wire"
)

// Test is a test that steps run.
type Test struct {
	ID       string
	Activity string      // under which the ledger records it
	Bench    *bench.Test // nil in a procedure that has problems
}

// test reads and compiles a test.
func (r *reader) test(at string, p *Procedure, t *historypb.ProcedureTest) Test {
	out := Test{ID: t.GetSpec().GetId(), Activity: t.GetActivity()}
	if p.Test(out.ID) != nil {
		r.bad(at+".spec.id", out.ID, "another test of the procedure has this id: state one of its own")
	}
	var problems []bench.Problem
	out.Bench, problems = wire.Spec(t.GetSpec())
	for _, q := range problems {
		r.found = append(r.found, violation{
			Violation: errs.Violation{Field: at + ".spec." + q.Field, Value: q.Value, Description: q.Text, Reason: "PROCEDURE_INVALID"},
			line:      q.Line, column: q.Column,
		})
	}
	return out
}
