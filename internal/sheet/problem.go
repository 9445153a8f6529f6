package sheet

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"
)

// Problem is one thing wrong with a file, with what to do about it.
type Problem struct {
	File   string
	Line   int64  // line of the file on which the row begins, from 1; 0 for the file as a whole
	Column int    // column of the sheet, from 1; 0 for the row as a whole
	Name   string // the column's heading, as it stands in the file
	Value  string // the offending text
	Text   string // what is wrong
	Remedy string // what to do
}

// String returns the problem on one line: file:line, column, value, what is wrong, what to do.
func (p Problem) String() string {
	var b strings.Builder
	b.WriteString(p.File)
	if p.Line > 0 {
		fmt.Fprintf(&b, ":%d", p.Line)
	}
	b.WriteString(": ")
	if p.Column > 0 {
		fmt.Fprintf(&b, "column %d", p.Column)
		if p.Name != "" {
			fmt.Fprintf(&b, " (%s)", p.Name)
		}
		b.WriteString(": ")
	}
	if p.Value != "" {
		b.WriteString(Quote(p.Value) + ": ")
	}
	b.WriteString(p.Text)
	if p.Remedy != "" {
		b.WriteString("; " + p.Remedy)
	}
	return b.String()
}

// Quote prints text as a short quoted word: control characters escaped, the middle left out when it is long.
func Quote(text string) string {
	const most = 60
	if utf8.RuneCountInString(text) > most {
		r := []rune(text)
		text = string(r[:most-15]) + "…" + string(r[len(r)-14:])
	}
	return strconv.Quote(text)
}

// Safe returns text as a spreadsheet may open it. A cell that begins with = + - @, a tab or a carriage return would be run
// as a formula; an apostrophe before it makes it text.
func Safe(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n|%", rune(text[0])) {
		return "'" + text
	}
	return text
}

// WriteReport writes problems as CSV that any spreadsheet opens, cells made Safe.
func WriteReport(w io.Writer, problems []Problem) error {
	c := csv.NewWriter(w)
	if err := c.Write([]string{"file", "line", "column", "column name", "value", "problem", "what to do"}); err != nil {
		return err
	}
	for _, p := range problems {
		line, column := "", ""
		if p.Line > 0 {
			line = strconv.FormatInt(p.Line, 10)
		}
		if p.Column > 0 {
			column = strconv.Itoa(p.Column)
		}
		if err := c.Write([]string{Safe(p.File), line, column, Safe(p.Name), Safe(p.Value), Safe(p.Text), Safe(p.Remedy)}); err != nil {
			return err
		}
	}
	c.Flush()
	return c.Error()
}
