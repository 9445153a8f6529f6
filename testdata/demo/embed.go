// Package demo holds an invented chain of three dive shops: its spreadsheets and its rule packs. Places, shops, people and
// makers in it are made up. The sheets look the way three different shops would keep them.
//
// The sheets are written by `go run ./testdata/demo/generate`; a test compares.
package demo

import "embed"

// Files holds the sheets (*.csv), the rule packs (rules/*.yaml, a pack's id being its file's name), and what happens at the bench
// (bench/*.yaml, as `strandline orders record` takes it).
//
//go:embed *.csv rules/*.yaml bench/*.yaml
var Files embed.FS
