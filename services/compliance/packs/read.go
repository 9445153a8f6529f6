package packs

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"

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
func Read(name string, raw []byte) ([]Document, []Problem) {
	id := filepath.Base(filepath.ToSlash(name))
	return ReadAs(strings.TrimSuffix(id, filepath.Ext(id)), raw)
}

// ReadAs is Read with the id of a pack that states no name.
func ReadAs(id string, raw []byte) (docs []Document, problems []Problem) {
	if len(raw) > MaxFile {
		return nil, []Problem{{Line: 1, Column: 1, Text: fmt.Sprintf("the file has %d bytes; want at most %d: put the packs into files of their own", len(raw), MaxFile)}}
	}
	if p, bad := unreadable(raw); bad {
		return nil, []Problem{p}
	}
	if p, bad := overloaded(raw); bad {
		return nil, []Problem{p}
	}
	dec := yaml.NewDecoder(bytes.NewReader(raw))
	source := lines(raw)
	known := &compiled{}
	for {
		var doc yaml.Node
		err := dec.Decode(&doc)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			problems = append(problems, syntax(err, source))
			break
		}
		if doc.Kind != yaml.DocumentNode || len(doc.Content) != 1 || empty(doc.Content[0]) {
			continue
		}
		root := doc.Content[0]
		if len(docs) == maxDocuments {
			problems = append(problems, Problem{Line: root.Line, Column: root.Column, Text: fmt.Sprintf("want at most %d packs in a file: put the others into another file", maxDocuments)})
			break
		}
		d, ps := readDocument(id, root, source, known)
		docs, problems = append(docs, d), append(problems, ps...)
	}
	if len(docs) == 0 && len(problems) == 0 {
		problems = []Problem{{Line: 1, Column: 1, Text: "the file is empty; want a rule pack: title, effectiveDate, rules"}}
	}
	if len(problems) > 0 {
		return nil, sortProblems(problems)
	}
	return docs, nil
}

// empty says whether a document holds nothing, as after a last `---`.
func empty(n *yaml.Node) bool { return n.Kind == yaml.ScalarNode && n.Value == "" && n.Tag == "!!null" }

// unreadable says where a file holds what no text may.
func unreadable(raw []byte) (Problem, bool) {
	for i := 0; i < len(raw); {
		r, n := utf8.DecodeRune(raw[i:])
		switch {
		case r == utf8.RuneError && n <= 1:
			return at(raw, i, Problem{Value: fmt.Sprintf("%#02x", raw[i]), Text: "the file is not UTF-8: save it as UTF-8"}), true
		case r < ' ' && r != '\t' && r != '\n' && r != '\r', r >= 0x7f && r < 0xa0 && r != 0x85, r == 0xfffe, r == 0xffff:
			return at(raw, i, Problem{Value: fmt.Sprintf("%U", r), Text: "the file holds a control character: leave it out"}), true
		}
		i += n
	}
	return Problem{}, false
}

// at puts a problem at the place of a byte of a file.
func at(raw []byte, i int, p Problem) Problem {
	before := lines(raw[:i])
	p.Line, p.Column = len(before), utf8.RuneCountInString(before[len(before)-1])+1
	return p
}

var syntaxPattern = regexp.MustCompile(`(?s)^yaml: (?:line ([0-9]+): )?(.*)$`)

var anchorPattern = regexp.MustCompile(`unknown anchor '(.*)' referenced`)

// syntax tells what is no YAML. The parser knows the line, no column.
func syntax(err error, source []string) Problem {
	p := Problem{Line: 1, Column: 1, Text: err.Error()}
	if m := syntaxPattern.FindStringSubmatch(err.Error()); m != nil {
		if n, err := strconv.Atoi(m[1]); err == nil && n > 0 {
			p.Line = n
		}
		p.Text = m[2]
	}
	if m := anchorPattern.FindStringSubmatch(p.Text); m != nil {
		for i, line := range source {
			if at := strings.Index(line, "*"+m[1]); at >= 0 {
				p.Line, p.Column = i+1, utf8.RuneCountInString(line[:at])+1
				break
			}
		}
	}
	remedy := "check blanks, quotes and brackets on this line and above it"
	if p.Line <= len(source) && strings.HasPrefix(p.Text, "found ") && strings.Contains(source[p.Line-1], "\t") {
		remedy = "indent with blanks, not with tabs"
		p.Column = utf8.RuneCountInString(source[p.Line-1][:strings.Index(source[p.Line-1], "\t")]) + 1
	}
	p.Text = "this is no YAML: " + p.Text + ": " + remedy
	return p
}

// lines splits a file as the parser counts lines.
func lines(raw []byte) []string {
	return strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n").Replace(strings.TrimPrefix(string(raw), "\ufeff")), "\n")
}
