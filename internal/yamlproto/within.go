package yamlproto

import (
	"strings"

	"go.yaml.in/yaml/v3"
)

// within returns the place in the file of a line and column of a text. Not ok where the file does not hold the text character by
// character: folded, continued over lines, or moved by what the parser counts otherwise.
func within(n *yaml.Node, source []string, line, column int) (place, bool) {
	if n == nil || n.Line < 1 || n.Line > len(source) {
		return place{}, false
	}
	if n.Style&yaml.LiteralStyle != 0 {
		return inBlock(n, source, line, column)
	}
	first := []rune(source[n.Line-1])
	if n.Style&yaml.FoldedStyle != 0 || strings.Contains(n.Value, "\n") || line != 1 || n.Column > len(first) {
		return place{}, false
	}
	text := first[n.Column-1:]
	switch {
	case n.Style&yaml.SingleQuotedStyle != 0:
		return quoted(n, text, '\'', column)
	case n.Style&yaml.DoubleQuotedStyle != 0:
		return quoted(n, text, '"', column)
	case strings.HasPrefix(string(text), n.Value):
		return place{n.Line, n.Column + column - 1}, true
	}
	return place{}, false
}

// quoted finds a column of a text in quotes that stands on one line. Two single quotes are one; an escape in double quotes is one.
func quoted(n *yaml.Node, text []rune, quote rune, column int) (place, bool) {
	if len(text) == 0 || text[0] != quote {
		return place{}, false
	}
	i := 1
	for range column - 1 {
		switch {
		case i >= len(text):
			return place{}, false
		case quote == '\'' && text[i] == '\'':
			i += 2
		case quote == '"' && text[i] == '\\':
			i += escape(text[i:])
		case text[i] == quote:
			return place{}, false
		default:
			i++
		}
	}
	if i >= len(text) {
		return place{}, false
	}
	return place{n.Line, n.Column + i}, true
}

// escape returns the length of an escape in double quotes.
func escape(text []rune) int {
	if len(text) > 1 {
		switch text[1] {
		case 'x':
			return 4
		case 'u':
			return 6
		case 'U':
			return 10
		}
	}
	return 2
}

// inBlock finds a place in a literal block: the text begins on the line after the indicator, indented as its first line that is not empty.
func inBlock(n *yaml.Node, source []string, line, column int) (place, bool) {
	stated := strings.Split(n.Value, "\n")
	if line < 1 || line > len(stated) || n.Line+line > len(source) {
		return place{}, false
	}
	raw := source[n.Line+line-1]
	at := strings.Index(raw, stated[line-1])
	if at < 0 || strings.Trim(raw[:at], " ") != "" || raw[at:] != stated[line-1] {
		return place{}, false
	}
	return place{n.Line + line, at + column}, true
}
