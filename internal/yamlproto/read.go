package yamlproto

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	"go.yaml.in/yaml/v3"
)

// Read reads a file of YAML documents, or JSON, and gives each that is not empty to a function, which decodes it and tells what else is wrong
// with it. It returns every problem, sorted by place; without any, the function was called for at least one document.
//
// It takes less than YAML has: no aliases, no tags, no merged mappings. What a file may hold is bounded, and so is the time and memory of
// reading one.
func (s *Shape) Read(raw []byte, each func(*Document)) (problems []Problem) {
	if len(raw) > MaxFile {
		return []Problem{{Line: 1, Column: 1, Text: fmt.Sprintf("the file has %d bytes; want at most %d: put the %s into files of their own", len(raw), MaxFile, s.Many)}}
	}
	if p, bad := unreadable(raw); bad {
		return []Problem{p}
	}
	if p, bad := s.overloaded(raw); bad {
		return []Problem{p}
	}
	dec := yaml.NewDecoder(bytes.NewReader(raw))
	source := Lines(raw)
	for n := 0; ; {
		var doc yaml.Node
		err := dec.Decode(&doc)
		if errors.Is(err, io.EOF) {
			if n == 0 && len(problems) == 0 {
				problems = []Problem{{Line: 1, Column: 1, Text: fmt.Sprintf("the file is empty; want a %s: %s", s.One, s.Begin)}}
			}
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
		if n == MaxDocuments {
			problems = append(problems, Problem{Line: root.Line, Column: root.Column, Text: fmt.Sprintf("want at most %d %s in a file: put the others into another file", MaxDocuments, s.Many)})
			break
		}
		n++
		d := s.newDocument(root, source)
		each(d)
		problems = append(problems, d.problems...)
	}
	return sortProblems(problems)
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
	before := Lines(raw[:i])
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

// Lines splits a file as the parser counts lines.
func Lines(raw []byte) []string {
	return strings.Split(strings.NewReplacer("\r\n", "\n", "\r", "\n", "\u0085", "\n", "\u2028", "\n", "\u2029", "\n").Replace(strings.TrimPrefix(string(raw), "\ufeff")), "\n")
}
