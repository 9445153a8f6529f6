package wire

import (
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench"
)

// Judge answers BenchService.Judge. It needs no server and no database. Errors: INVALID_FIELD with a violation for each fault.
func Judge(req *historypb.JudgeRequest) (*historypb.JudgeResponse, error) {
	if err := rpc.Validate(req); err != nil {
		return nil, err
	}
	j, problems := judged(req)
	if len(problems) > 0 {
		violations := make([]errs.Violation, len(problems))
		for i, p := range problems {
			violations[i] = violation(p)
		}
		return nil, errs.Fields(violations...)
	}
	return &historypb.JudgeResponse{Judgement: JudgementPB(j)}, nil
}

// judged judges a request, or says everything that is wrong with it, with fields named from it.
func judged(req *historypb.JudgeRequest) (*bench.Judgement, []bench.Problem) {
	test, problems := Spec(req.GetSpec())
	for i := range problems {
		problems[i].Field = "spec." + problems[i].Field
	}
	in, more := Input(req.GetTestDate(), req.GetReadings(), req.GetInstruments(), req.GetAmbient())
	if problems = append(problems, more...); len(problems) > 0 {
		return nil, problems
	}
	return test.Judge(in)
}

// violation says what is wrong with a field, and where in its text.
func violation(p bench.Problem) errs.Violation {
	return errs.Violation{Field: p.Field, Value: p.Value, Description: p.Placed()}
}

// JudgementPB writes a judgement.
func JudgementPB(j *bench.Judgement) *historypb.Judgement {
	out := &historypb.Judgement{Verdict: VerdictPB(j.Verdict), Reasons: j.Reasons}
	for _, d := range j.Derived {
		out.Derived = append(out.Derived, &historypb.ComputedQuantity{Name: d.Name, Title: d.Title, Quantity: orNil(d.Quantity), Problem: d.Why})
	}
	for _, r := range j.Results {
		out.Results = append(out.Results, &historypb.CriterionResult{
			Criterion: r.ID, Title: r.Title, Verdict: VerdictPB(r.Verdict), Measured: orNil(r.Measured), Low: orNil(r.Low), High: orNil(r.High), Uncertainty: orNil(r.Uncertainty),
			GuardBand: orNil(r.GuardBand), ConformanceProbability: r.Conforming, Sentence: r.Sentence,
			Source: &historypb.Citation{Document: r.Source.Document, Section: r.Source.Section, Edition: r.Source.Edition, FromMemory: r.Source.FromMemory},
		})
	}
	return out
}

// VerdictPB writes a verdict.
func VerdictPB(v bench.Verdict) historypb.Verdict {
	switch v {
	case bench.Pass:
		return historypb.Verdict_VERDICT_PASS
	case bench.Fail:
		return historypb.Verdict_VERDICT_FAIL
	case bench.Inconclusive:
		return historypb.Verdict_VERDICT_INCONCLUSIVE
	}
	return historypb.Verdict_VERDICT_NOT_APPLICABLE
}
