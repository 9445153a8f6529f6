package wire

import (
	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// shape is what files of tests with their readings hold.
var shape = yamlproto.Shape{
	One: "test with its readings", Short: "file", Many: "tests", Begin: "spec, test_date, readings", Pair: "{key: value}",
	Examples: map[string]string{
		`^[a-z][a-z0-9_]{0,39}$`:              "total_expansion",
		`^[a-z0-9][a-z0-9-]{0,59}$`:           "permanent-expansion",
		`^([a-z][a-z0-9-]{0,47})?$`:           "pressure-gauge",
		`^[a-z][a-z0-9-]{0,47}$`:              "pressure-gauge",
		`^[+-]?[0-9]{1,40}([.][0-9]{1,40})?$`: "2.24",
		`^([0-9]{1,2}([.][0-9]{1,12})?)?$`:    "1.5",
	},
	Texts: map[protoreflect.FullName]yamlproto.Text{"strandline.history.v1.Quantity": Text},
}

// Judged is a test with its readings, as a file states it, and what it comes to.
type Judged struct {
	Message  *historypb.JudgeRequest
	Response *historypb.JudgeResponse
}

// Read reads a file of tests with their readings, each in the shape of strandline.history.v1.JudgeRequest, in YAML or JSON, and judges them. It tells
// everything that is wrong at once, by line and column.
func Read(raw []byte) (out []Judged, problems []yamlproto.Problem) {
	problems = shape.Read(raw, func(f *yamlproto.Document) {
		req := &historypb.JudgeRequest{}
		if !f.Decode(req) {
			return
		}
		f.Validate(req)
		j, found := judged(req)
		for _, p := range found {
			switch {
			case f.Told(p.Field) || f.Broken(p.Field):
			case p.Line > 0:
				f.WrongAt(p.Field, p.Line, p.Column, p.Value, p.Text, p.Placed())
			default:
				f.Wrong(p.Field, p.Value, p.Text)
			}
		}
		if len(found) == 0 {
			out = append(out, Judged{Message: req, Response: &historypb.JudgeResponse{Judgement: JudgementPB(j)}})
		}
	})
	if len(problems) > 0 {
		return nil, problems
	}
	return out, nil
}
