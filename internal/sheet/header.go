package sheet

import (
	"fmt"
	"strings"
	"unicode"
)

// Column is one the caller knows.
type Column struct {
	Name     string   // as Row's methods are asked for it
	Aliases  []string // other headings people write
	Required bool     // the file must have it
}

// Schema is the columns of a kind of file. Headings are compared without regard to case, spaces, underscores, hyphens,
// dots and what stands in parentheses.
type Schema struct {
	What    string // what a row is, for messages: "unit", "rental"
	Columns []Column
	// Free, if set, is a prefix of headings that are taken as they are: with "attr:" the column "attr:alloy" is free.
	Free string
}

// header maps the file's columns to the schema's.
type header struct {
	names []string       // headings as they stand in the file
	index map[string]int // schema name or free heading -> column, from 0
	free  []string       // free headings without the prefix, by column; "" where none
}

// plain returns a heading as it is compared.
func plain(heading string) string {
	if i := strings.IndexByte(heading, '('); i > 0 {
		heading = heading[:i]
	}
	return strings.Map(func(r rune) rune {
		switch {
		case unicode.IsSpace(r), r == '_', r == '-', r == '.', r == '*', r == '#':
			return -1
		}
		return unicode.ToLower(r)
	}, heading)
}

// match returns the schema column a heading means.
func (s Schema) match(heading string) (string, bool) {
	p := plain(heading)
	if p == "" {
		return "", false
	}
	for _, c := range s.Columns {
		if plain(c.Name) == p {
			return c.Name, true
		}
	}
	for _, c := range s.Columns {
		for _, a := range c.Aliases {
			if plain(a) == p {
				return c.Name, true
			}
		}
	}
	return "", false
}

// freeName returns the rest of a free heading.
func (s Schema) freeName(heading string) (string, bool) {
	if s.Free == "" {
		return "", false
	}
	h := strings.ToLower(strings.TrimSpace(heading))
	rest, ok := strings.CutPrefix(h, s.Free)
	rest = strings.TrimSpace(rest)
	return strings.ReplaceAll(strings.ReplaceAll(rest, " ", "_"), "-", "_"), ok && rest != ""
}

// resolve matches a header row; every problem goes to report. ok is false if rows cannot be read by it.
func (s Schema) resolve(names []string, report func(Problem)) (*header, bool) {
	h := &header{names: names, index: map[string]int{}, free: make([]string, len(names))}
	ok, known := true, 0
	var unknown []Problem
	for i, n := range names {
		if n == "" {
			continue // an empty column; a value under it is reported with its row
		}
		key, found := s.match(n)
		if !found {
			if rest, free := s.freeName(n); free {
				key, found = s.Free+rest, true
				h.free[i] = rest
			}
		}
		if !found {
			unknown = append(unknown, Problem{Column: i + 1, Name: n, Value: n, Text: "unknown column", Remedy: s.advice(n)})
			continue
		}
		known++
		if before, twice := h.index[key]; twice {
			report(Problem{Column: i + 1, Name: n, Value: n, Text: fmt.Sprintf("columns %d and %d are both %q", before+1, i+1, key), Remedy: "delete one of them"})
			ok = false
			continue
		}
		h.index[key] = i
	}
	if known == 0 {
		report(Problem{Value: strings.Join(names, " | "), Text: "the first row is not a header: no column of it is known", Remedy: "begin the file with a row of headings: " + s.headings()})
		return h, false
	}
	for _, p := range unknown {
		report(p)
		ok = false
	}
	for _, c := range s.Columns {
		if _, has := h.index[c.Name]; c.Required && !has {
			report(Problem{Name: c.Name, Value: c.Name, Text: "required column is missing", Remedy: fmt.Sprintf("add a column headed %q", c.Name)})
			ok = false
		}
	}
	return h, ok
}

// advice names the known heading that differs least, or all of them.
func (s Schema) advice(heading string) string {
	p := []rune(plain(heading))
	best, at := "", max(len(p)/3, 2)+1
	for _, c := range s.Columns {
		for _, n := range append([]string{c.Name}, c.Aliases...) {
			if d := distance(p, []rune(plain(n)), at); d < at {
				best, at = c.Name, d
			}
		}
	}
	if best != "" {
		return fmt.Sprintf("did you mean %q? Else delete the column or leave its heading and cells empty", best)
	}
	return "delete the column; known are " + s.headings()
}

func (s Schema) headings() string {
	var names []string
	for _, c := range s.Columns {
		n := c.Name
		if c.Required {
			n += "*"
		}
		names = append(names, n)
	}
	if s.Free != "" {
		names = append(names, s.Free+"NAME")
	}
	return strings.Join(names, ", ")
}

// distance is the Levenshtein distance of two words, or limit if it is not below that.
func distance(a, b []rune, limit int) int {
	if len(a) > 60 || len(b) > 60 || len(a)-len(b) >= limit || len(b)-len(a) >= limit {
		return limit
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := 1; i <= len(a); i++ {
		diagonal := row[0]
		row[0] = i
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			diagonal, row[j] = row[j], min(row[j]+1, row[j-1]+1, diagonal+cost)
		}
	}
	return min(row[len(b)], limit)
}
