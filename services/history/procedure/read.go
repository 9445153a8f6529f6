package procedure

import (
	"fmt"
	"path/filepath"
	"regexp"
	"strings"

	"google.golang.org/protobuf/reflect/protoreflect"

	"strandline.example/strandline/internal/yamlproto"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/bench/wire"
)

// Document is a procedure as a file states it.
type Document struct {
	ID        string               // of the procedure
	Org       string               // that the name in the file is for; empty if it names none
	Message   *historypb.Procedure // what the file states, without its name
	Procedure Procedure
	Line      int    // on which it begins
	Source    string // the text that states it, with its comments, without other documents of the file
}

// shape is what files of procedures hold.
var shape = yamlproto.Shape{
	One: "procedure", Short: "procedure", Many: "procedures", Begin: "revision, title, kinds, purpose, cautions, steps", Pair: "{key: value}",
	Examples: map[string]string{
		`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`: "main-seat",
		`^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$`: "drift-2",
		`^[a-z][a-z0-9-]{0,47}$`:               "second-stage",
		`^[A-Z]{2}(-[A-Z0-9]{1,3})?$`:          "US or US-CA",
		`^[a-z][a-z0-9_]{0,39}$`:               "total_expansion",
		`^[a-z0-9][a-z0-9-]{0,59}$`:            "permanent-expansion",
		`^([a-z][a-z0-9-]{0,47})?$`:            "pressure-gauge",
		`^[+-]?[0-9]{1,40}([.][0-9]{1,40})?$`:  "2.24",
		`^([0-9]{1,2}([.][0-9]{1,12})?)?$`:     "1.5",
	},
	Texts: map[protoreflect.FullName]yamlproto.Text{"strandline.history.v1.Quantity": wire.Text},
}

var namePattern = regexp.MustCompile(`^(?:orgs/([a-z0-9-]{1,40})/)?procedures/([a-z0-9-]{1,40})$`)

// Read reads a file of procedures: YAML documents, or JSON, each in the shape of strandline.history.v1.Procedure. The id of a procedure is that of its
// name, `procedures/{procedure}` or `orgs/{org}/procedures/{procedure}`; one without a name is called as the file is, without folder and ending.
// Revisions of one procedure stand in rising order.
//
// It tells everything that is wrong at once, sorted by place, as package yamlproto does: beside what the proto asks for, references to parts and tests that are not
// there, parts that do not come out as they go in, bounds of another dimension, units that are none, tests that do not compile, and cautions that are missing.
func Read(name string, raw []byte) ([]Document, []yamlproto.Problem) {
	id := filepath.Base(filepath.ToSlash(name))
	return ReadAs(strings.TrimSuffix(id, filepath.Ext(id)), raw)
}

// ReadAs is Read with the id of a procedure that states no name.
func ReadAs(id string, raw []byte) (docs []Document, problems []yamlproto.Problem) {
	last := map[string]int32{}
	problems = shape.Read(raw, func(f *yamlproto.Document) {
		d := readDocument(id, f)
		if r := d.Message.GetRevision(); last[d.ID] >= r && last[d.ID] > 0 {
			f.Bad("revision", fmt.Sprint(r), fmt.Sprintf("the file has revision %d of %s before it: state a higher number", last[d.ID], d.ID))
		} else if r > 0 {
			last[d.ID] = r
		}
		docs = append(docs, d)
	})
	if len(problems) > 0 {
		return nil, problems
	}
	sources(raw, docs)
	return docs, nil
}

// readDocument reads one procedure of a file. id is that of one without a name.
func readDocument(id string, f *yamlproto.Document) Document {
	d := Document{ID: id, Message: &historypb.Procedure{}, Line: f.Line()}
	fields := f.Decode(d.Message)
	if name := d.Message.GetName(); name != "" {
		if m := namePattern.FindStringSubmatch(name); m != nil {
			d.Org, d.ID = m[1], m[2]
		} else {
			f.Bad("name", name, "want procedures/{procedure}, or orgs/{org}/procedures/{procedure}")
		}
	}
	d.Message.Name = ""
	if !fields {
		return d
	}
	f.Validate(d.Message)
	p, found := of(d.ID, d.Message)
	d.Procedure = p
	for _, v := range found {
		if v.Field == "name" && !f.Stated("name") && !f.Broken("name") {
			v.Description = "the procedure states no name, and what the file is called is no id: state name: procedures/{procedure}, of lower-case letters, digits and hyphens"
		}
		switch {
		case f.Told(v.Field) || f.Broken(v.Field) || v.without != "" && f.Broken(v.without):
		case v.line > 0:
			f.WrongAt(v.Field, v.line, v.column, v.Value, v.Description, v.placed())
		case v.whole && f.AnyBroken():
		default:
			f.Wrong(v.Field, v.Value, v.Description)
		}
	}
	return d
}
