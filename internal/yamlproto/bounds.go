package yamlproto

import "fmt"

// Bounds of a file. What one may hold is bounded before it is parsed, so that reading it takes seconds and some hundred megabytes at worst.
const (
	MaxFile      = 4 << 20 // bytes
	MaxDocuments = 100
	MaxProblems  = 500     // told of one document
	MaxMarks     = 500_000 // commas, colons, dashes, question marks, brackets and line ends: each may make a node
	maxBrackets  = 1000    // open at once
	maxDashes    = 100     // on one line before anything else
)

// overloaded says where a file holds more than may be parsed. It looks at characters, not at what they mean: no file that can be
// of use comes near its bounds.
func (s *Shape) overloaded(raw []byte) (Problem, bool) {
	marks, open, dashes := 0, 0, 0
	leading := true // nothing but blanks and list signs on the line so far
	told := func(i int, text string) (Problem, bool) { return at(raw, i, Problem{Text: text}), true }
	for i, c := range raw {
		switch c {
		case '-', '?', ':':
			marks++
			if dashes++; leading && dashes > maxDashes {
				return told(i, fmt.Sprintf("there are more than %d lists within each other on this line, and a %s has few: leave them out", maxDashes, s.One))
			}
		case '[', '{':
			marks++
			leading = false
			if open++; open > maxBrackets {
				return told(i, fmt.Sprintf("there are more than %d brackets open within each other, and a %s has few: close them", maxBrackets, s.One))
			}
		case ']', '}':
			marks++
			open = max(0, open-1)
		case ',', '\r', '\n':
			marks++
		case ' ', '\t':
		default:
			leading = false
		}
		if marks > MaxMarks {
			return told(i, fmt.Sprintf("there are more than %d commas, colons, dashes, brackets and line ends up to here: put the %s into files of their own", MaxMarks, s.Many))
		}
		if c == '\n' || c == '\r' {
			dashes, leading = 0, true
		}
	}
	return Problem{}, false
}
