// Package packs holds the rule packs that are shipped with Strandline: YAML files in the shape of
// strandline.compliance.v1.RulePack, each rule with the source it was read in. It reads such files, these and anyone's, and tells
// what is wrong with them.
package packs

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"

	"strandline.example/strandline/internal/errs"
)

//go:embed *.yaml
var embedded embed.FS

// Shipped are the packs that come with Strandline: every YAML file beside this one.
var Shipped = Library{embedded}

const ending = ".yaml"

// Library is a folder of rule packs. Each is a file of its own; the name of the file without its ending, `.yaml`, is the pack's id.
// Nothing else says which packs there are.
type Library struct{ fs.FS }

// IDs returns the ids of the packs, sorted.
func (l Library) IDs() ([]string, error) {
	names, err := fs.Glob(l.FS, "*"+ending)
	for i, n := range names {
		names[i] = strings.TrimSuffix(n, ending)
	}
	return names, err
}

// Pack returns a pack, in its revisions as its file states them, and the file. Errors: NOT_FOUND, with the ids that there are; INTERNAL for
// a file with problems.
func (l Library) Pack(id string) ([]Document, []byte, error) {
	raw, err := fs.ReadFile(l.FS, id+ending)
	if err != nil {
		ids, _ := l.IDs()
		return nil, nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("no rule pack %q is shipped; there are %s", id, strings.Join(ids, ", ")), "pack", id)
	}
	docs, problems := Read(id+ending, raw)
	if len(problems) > 0 {
		return nil, nil, errs.New(errs.Internal, "INTERNAL", "a shipped rule pack cannot be read: "+problems[0].At(id+ending))
	}
	return docs, raw, nil
}
