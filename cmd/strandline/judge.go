package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"strandline.example/strandline/internal/measure"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// benchCautions are said with every judgement.
var benchCautions = []string{
	"A verdict says what the figures say against the limits in the file. It certifies nothing, and is no requalification.",
	"Gas under pressure and oxygen kill. Local law, the maker's manual and a licensed inspector come first; where they ask for more, they win.",
}

func newJudgeCmd(a *app) *cobra.Command {
	return &cobra.Command{
		Use:   "judge FILE",
		Short: "judge a test's readings from a file: no server, no database",
		Long: `FILE ('-' for standard input) holds one or several JudgeRequests of proto/strandline/history/v1/bench_service.proto, as YAML
documents or JSON: a test (the readings it wants, what is derived from them, criteria with their limits and sources), the day, what was read and
the instruments it was read with. A quantity is written as 135 psi gauge, 2.24 mL or 1.5 inH2O(60F) difference.

All arithmetic is exact. A required reading that is missing, an instrument out of calibration on the day and an uncertainty that a guarded
limit needs and nobody knows make a test inconclusive. What is no reading at all is refused.

Every problem is a line FILE:LINE:COLUMN: FIELD: what is wrong and what to do, and the exit code is 3. Otherwise it is 0 if every test passes, 11 if one
fails, and 12 if one is inconclusive and none fails.`,
		Example: `  strandline judge hydrostatic.yaml
  strandline judge - --output json < hydrostatic.yaml`,
		Args: words,
		RunE: func(_ *cobra.Command, args []string) error {
			const most = 64 << 20
			label, raw, err := a.readFile(args[0], most)
			if err != nil {
				return err
			}
			tests, problems := wire.Read(raw)
			if checked := (checkedFile{label, problems}); len(problems) > 0 {
				a.printProblems([]checkedFile{checked})
				return problemsFound("INVALID_FIELD", checked)
			}
			if a.json() {
				items := make([]*historypb.JudgeResponse, len(tests))
				for i, t := range tests {
					items[i] = t.Response
				}
				if err := printList(a, items); err != nil {
					return err
				}
			} else {
				for _, t := range tests {
					a.printJudged(t)
				}
				a.printf("Cautions\n")
				for _, c := range benchCautions {
					a.paragraph(a.out, "  ", c)
				}
			}
			return judgedCode(tests)
		},
	}
}

// judgedCode is the exit code for what tests come to: that of the gravest.
func judgedCode(tests []wire.Judged) error {
	code := exitOK
	for _, t := range tests {
		switch t.Response.GetJudgement().GetVerdict() {
		case historypb.Verdict_VERDICT_PASS:
		case historypb.Verdict_VERDICT_FAIL:
			code = exitFailed
		default:
			if code == exitOK {
				code = exitUndecided
			}
		}
	}
	if code == exitOK {
		return nil
	}
	return exitError{code: code}
}

// printJudged prints a test and what it comes to.
func (a *app) printJudged(t wire.Judged) {
	j := t.Response.GetJudgement()
	a.printf("%s, %s: %s\n", t.Message.GetSpec().GetTitle(), showDate(t.Message.GetTestDate()), verdictWord(j.GetVerdict()))
	for _, r := range j.GetReasons() {
		a.paragraph(a.out, "  ", r)
	}
	if len(j.GetDerived()) > 0 {
		a.printf("\nComputed\n")
		d := newTable("", "")
		d.bare = true
		for _, c := range j.GetDerived() {
			text := quantityWord(c.GetQuantity())
			if text == "" {
				text = "not computed: " + c.GetProblem()
			}
			d.row(titleOr(c.GetTitle(), c.GetName()), text)
		}
		d.write(a.out, "  ", a.columns)
	}
	a.printf("\nCriteria\n")
	c := newTable("verdict", "criterion", "~by")
	for _, r := range j.GetResults() {
		c.row(verdictWord(r.GetVerdict()), titleOr(r.GetTitle(), r.GetCriterion()), sourceLine(r.GetSource()))
	}
	c.write(a.out, "  ", a.columns)
	a.printf("\nHow it was judged\n")
	for _, r := range j.GetResults() {
		text := r.GetSentence()
		if p := r.ConformanceProbability; p != nil && r.GetVerdict() != historypb.Verdict_VERDICT_NOT_APPLICABLE {
			text += " By the uncertainty alone, the chance that it conforms is " + chanceWord(*p) + "."
		}
		a.paragraph(a.out, "  ", text)
	}
	a.printf("\n")
}

// chanceWord prints a chance, never as certainty.
func chanceWord(p float64) string {
	switch {
	case p > 0.999:
		return "above 99.9 %"
	case p < 0.001:
		return "below 0.1 %"
	}
	return fmt.Sprintf("%.3g %%", p*100)
}

func titleOr(title, name string) string {
	if title != "" {
		return title
	}
	return name
}

// verdictWord prints a verdict.
func verdictWord(v historypb.Verdict) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(v.String(), "VERDICT_")), "_", " ")
}

// quantityWord prints a quantity that was computed, with as many digits as people want to read; "" for none.
func quantityWord(p *historypb.Quantity) string {
	if p == nil {
		return ""
	}
	q, err := wire.Quantity(p)
	if err != nil {
		return ""
	}
	if q, err = measure.Of(q.Rat(), q.Unit(), q.Reference()); err != nil {
		return ""
	}
	return q.Shown(8)
}
