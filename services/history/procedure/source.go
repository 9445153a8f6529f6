package procedure

import (
	"strings"

	"strandline.example/strandline/internal/yamlproto"
)

// source returns the text of the document of a file that begins on a line: from the line after what ends the one before it up to what ends it. The first of a file has
// what stands before it too.
func source(lines []string, line int, first bool) string {
	from, to := line-1, line
	for !first && from > 0 && !parts(lines[from]) && !parts(lines[from-1]) {
		from--
	}
	if first {
		from = 0
	}
	for to < len(lines) && !parts(lines[to]) {
		to++
	}
	return strings.TrimRight(strings.Join(lines[from:to], "\n"), "\n") + "\n"
}

// parts says whether a line begins or ends a document. YAML has no other lines that begin like that, not even in texts.
func parts(line string) bool {
	for _, mark := range [...]string{"---", "..."} {
		if rest, ok := strings.CutPrefix(line, mark); ok && (rest == "" || rest[0] == ' ' || rest[0] == '\t') {
			return true
		}
	}
	return false
}

// sources writes into documents the texts that state them.
func sources(raw []byte, docs []Document) {
	lines := yamlproto.Lines(raw)
	for i := range docs {
		docs[i].Source = source(lines, docs[i].Line, i == 0)
	}
}
