package packs

import (
	"fmt"
	"unicode/utf8"

	"strandline.example/strandline/services/compliance/predicate"
)

// MaxPredicates bounds the predicates of a pack, or of all packs of a file or a question: the characters of those that differ. Compiling them takes most
// of the time of reading a pack.
const MaxPredicates = 50_000

// compiled are the predicates of packs that are read together, by their text: each is compiled once.
type compiled struct {
	known      map[string]compilation
	characters int
	full       bool
}

type compilation struct {
	program *predicate.Program
	err     error
}

// compile compiles a predicate. From where there are too many it compiles none; only the first of those has an error.
func (c *compiled) compile(text string) (*predicate.Program, error) {
	if got, ok := c.known[text]; ok {
		return got.program, got.err
	}
	if c.full {
		return nil, nil
	}
	n := utf8.RuneCountInString(text)
	if c.characters+n > MaxPredicates {
		c.full = true
		return nil, &predicate.Error{Line: 1, Column: 1, Text: fmt.Sprintf("the predicates up to here have together more than %d characters: shorten them, or put rules into a pack and file of their own", MaxPredicates)}
	}
	var got compilation
	got.program, got.err = predicate.Compile(text)
	if c.known == nil {
		c.known = map[string]compilation{}
	}
	c.known[text], c.characters = got, c.characters+n
	return got.program, got.err
}
