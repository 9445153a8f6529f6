// Package yamlproto reads files that people write in YAML into protobuf messages, and tells everything that is wrong with them at once: each
// problem with its line and column, the field, the value and what to do. A message's proto is the schema of its files: fields, enums and
// the rules that protovalidate states. What else must hold of a document is its reader's to say, at the places that this package knows.
//
// It reads bytes that it is given and nothing else.
package yamlproto

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// Shape is what the files of one kind hold, in the words in which their authors are told about it.
type Shape struct {
	One   string // what a document holds: `rule pack`
	Short string // the same in a word: `pack`
	Many  string // and several of them: `packs`
	Begin string // the fields to begin with: `title, effectiveDate, rules`
	Pair  string // an example of a map with one key: `{alloy: 6061-T6}`

	// Examples are texts that match the patterns that fields state, by pattern.
	Examples map[string]string
	// Texts are the messages that a file states as a text, by full name; it may also state their fields.
	Texts map[protoreflect.FullName]Text
}

// Text is how a message is written as a text.
type Text struct {
	Example string // `135 psi gauge`
	// Read returns the message. Its error says what is wrong and what to do.
	Read func(text string) (proto.Message, error)
}
