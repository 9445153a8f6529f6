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

// Files holds the packs; the name of a file without its ending is the pack's id.
//
//go:embed *.yaml
var Files embed.FS

// ShippedIDs returns the ids of the shipped packs, sorted.
func ShippedIDs() ([]string, error) {
	names, err := fs.Glob(Files, "*.yaml")
	for i, n := range names {
		names[i] = strings.TrimSuffix(n, ".yaml")
	}
	return names, err
}

// Shipped returns a shipped pack, in its revisions as its file states them, and the file. Errors: NOT_FOUND.
func Shipped(id string) ([]Document, []byte, error) {
	raw, err := Files.ReadFile(id + ".yaml")
	if err != nil {
		return nil, nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("no rule pack %q is shipped", id), "pack", id)
	}
	docs, problems := Read(id+".yaml", raw)
	if len(problems) > 0 {
		return nil, nil, errs.New(errs.Internal, "INTERNAL", "a shipped rule pack cannot be read: "+problems[0].At(id+".yaml"))
	}
	return docs, raw, nil
}
