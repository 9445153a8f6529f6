package procedure

import (
	"embed"
	"fmt"
	"io/fs"
	"strings"

	"strandline.example/strandline/internal/errs"
)

//go:embed *.yaml
var embedded embed.FS

// Shipped are the procedures that come with Strandline: every YAML file beside this one.
var Shipped = Library{embedded}

const ending = ".yaml"

// Library is a folder of procedures. Each is a file of its own, in one revision or several; the name of the file without its ending, `.yaml`, is the
// procedure's id. Nothing else says which procedures there are.
type Library struct{ fs.FS }

// IDs returns the ids of the procedures, sorted.
func (l Library) IDs() ([]string, error) {
	names, err := fs.Glob(l.FS, "*"+ending)
	for i, n := range names {
		names[i] = strings.TrimSuffix(n, ending)
	}
	return names, err
}

// Procedure returns a procedure, in its revisions as its file states them, and the file. Errors: NOT_FOUND, with the ids that there are; INTERNAL for
// a file with problems.
func (l Library) Procedure(id string) ([]Document, []byte, error) {
	raw, err := fs.ReadFile(l.FS, id+ending)
	if err != nil {
		ids, _ := l.IDs()
		return nil, nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("no procedure %q is shipped; there are %s", id, strings.Join(ids, ", ")), "procedure", id)
	}
	docs, problems := Read(id+ending, raw)
	if len(problems) > 0 {
		return nil, nil, errs.New(errs.Internal, "INTERNAL", "a shipped procedure cannot be read: "+problems[0].At(id+ending))
	}
	return docs, raw, nil
}
