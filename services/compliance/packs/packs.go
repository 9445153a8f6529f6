// Package packs holds the rule packs that are shipped with Strandline: YAML files in the shape of
// strandline.compliance.v1.RulePack, each rule with the source it was read in.
package packs

import "embed"

// Files holds the packs; the name of a file without its ending is the pack's id.
//
//go:embed *.yaml
var Files embed.FS
