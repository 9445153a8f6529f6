// Package doctest reads Markdown pages for the tests that run what the pages say. It takes what this repository's pages use: headings,
// fenced blocks and tables.
package doctest

import (
	"os"
	"strings"
	"testing"
)

// Fence is a fenced block.
type Fence struct {
	Lang string
	Text string // with a newline at the end of each line
	Line int    // of the page, on which the text begins
}

// Name returns what the first line of the text calls it: `# lagoon.yaml`. Empty if it is no comment.
func (f Fence) Name() string {
	first, _, _ := strings.Cut(f.Text, "\n")
	name, ok := strings.CutPrefix(first, "# ")
	if !ok {
		return ""
	}
	return name
}

// Table is a table: its head, then its rows, each a list of cells.
type Table [][]string

// Section is a part of a page, from its heading up to the next of the same level.
type Section struct {
	Fences []Fence
	Tables []Table
}

// Read reads the section of a page that has a heading of the second level. It fails the test if the page has none.
func Read(t testing.TB, path, heading string) Section {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s, ok := parse(string(raw), heading)
	if !ok {
		t.Fatalf("%s has no section %q", path, heading)
	}
	return s
}

func parse(page, heading string) (s Section, ok bool) {
	fenced, table := false, false
	for i, line := range strings.Split(page, "\n") {
		lang, fence := strings.CutPrefix(line, "```")
		switch {
		case fence && !fenced:
			fenced = true
			if ok {
				s.Fences = append(s.Fences, Fence{Lang: lang, Line: i + 2})
			}
		case fence:
			fenced = false
		case fenced:
			if ok {
				s.Fences[len(s.Fences)-1].Text += line + "\n"
			}
		case strings.HasPrefix(line, "## "):
			if ok {
				return s, true
			}
			ok = line == "## "+heading
		case ok && strings.HasPrefix(line, "|"):
			if !table {
				s.Tables = append(s.Tables, nil)
			}
			last := &s.Tables[len(s.Tables)-1]
			if c := cells(line); !strings.HasPrefix(c[0], "---") {
				*last = append(*last, c)
			}
		}
		table = !fenced && strings.HasPrefix(line, "|")
	}
	return s, ok
}

// cells splits a line of a table; `\|` is no border.
func cells(line string) []string {
	const bar = "\x00"
	line = strings.Trim(strings.ReplaceAll(line, `\|`, bar), "| ")
	out := strings.Split(line, "|")
	for i := range out {
		out[i] = strings.ReplaceAll(strings.TrimSpace(out[i]), bar, "|")
	}
	return out
}

// Code returns what stands between single backticks.
func Code(cell string) (out []string) {
	for i, part := range strings.Split(cell, "`") {
		if i%2 == 1 {
			out = append(out, part)
		}
	}
	return out
}
