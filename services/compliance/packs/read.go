package packs

import (
	"path/filepath"
	"strings"

	"strandline.example/strandline/internal/yamlproto"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

// Document is a rule pack as a file states it.
type Document struct {
	ID      string                 // of the pack
	Org     string                 // that the name in the file is for; empty if it names none
	Message *compliancepb.RulePack // what the file states, without its name
	Pack    due.Pack
	Line    int // on which it begins
}

// Read reads a file of rule packs: YAML documents, or JSON, each in the shape of strandline.compliance.v1.RulePack. The id of a pack is that of
// its name, `rulePacks/{pack}` or `orgs/{org}/rulePacks/{pack}`; one without a name is called as the file is, without folder and ending.
//
// It tells everything that is wrong at once, sorted by place: what is no YAML, fields that are not there or stated twice, values of
// another type, what the API would refuse, and rules that contradict themselves. Without problems the packs can be published. It takes less
// than YAML has: no aliases, no tags, no merged mappings. What a file may hold is bounded, and so is the time and memory of reading one.
func Read(name string, raw []byte) ([]Document, []yamlproto.Problem) {
	id := filepath.Base(filepath.ToSlash(name))
	return ReadAs(strings.TrimSuffix(id, filepath.Ext(id)), raw)
}

// ReadAs is Read with the id of a pack that states no name.
func ReadAs(id string, raw []byte) (docs []Document, problems []yamlproto.Problem) {
	known := &compiled{}
	problems = shape.Read(raw, func(f *yamlproto.Document) { docs = append(docs, readDocument(id, f, known)) })
	if len(problems) > 0 {
		return nil, problems
	}
	return docs, nil
}
