package sheet

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
)

// Row is one row of a file. Its methods read cells by the schema's column names; what a cell cannot be is reported, and
// sets Bad. A column that the file does not have reads as empty.
type Row struct {
	Line int64 // line of the file on which it begins
	Bad  bool  // it has a problem

	d     *Reader
	cells []string
}

func (r *Row) at(i int) string {
	if i < len(r.cells) {
		return r.cells[i]
	}
	return ""
}

func (r *Row) bad(i int, value, text, remedy string) {
	name := ""
	if i >= 0 && i < len(r.d.head.names) {
		name = r.d.head.names[i]
	}
	r.Bad = true
	r.d.report(Problem{Line: r.Line, Column: i + 1, Name: name, Value: value, Text: text, Remedy: remedy})
}

// Problem reports something wrong with the cell of a column.
func (r *Row) Problem(column, text, remedy string) {
	i, ok := r.d.head.index[column]
	if !ok {
		r.Bad = true
		r.d.report(Problem{Line: r.Line, Name: column, Text: text, Remedy: remedy})
		return
	}
	r.bad(i, r.at(i), text, remedy)
}

// Text returns a cell; "" if it is empty.
func (r *Row) Text(column string) string {
	i, ok := r.d.head.index[column]
	if !ok {
		return ""
	}
	return r.at(i)
}

// Need returns a cell that must not be empty.
func (r *Row) Need(column, remedy string) string {
	text := r.Text(column)
	if text == "" {
		r.Problem(column, "this cell is empty", remedy)
	}
	return text
}

// Short returns a cell that must not be longer than most characters.
func (r *Row) Short(column string, most int) string {
	text := r.Text(column)
	if n := len([]rune(text)); n > most {
		r.Problem(column, fmt.Sprintf("the text has %d characters, more than %d", n, most), "shorten it")
	}
	return text
}

// Choice returns a cell that must be one of the words, without regard to case; "" if it is empty.
func (r *Row) Choice(column string, words ...string) string {
	text := strings.ToLower(r.Text(column))
	if text == "" || slices.Contains(words, text) {
		return text
	}
	r.Problem(column, "this word is not known here", "write one of: "+strings.Join(words, ", "))
	return ""
}

// Whole returns a whole number; ok is false if the cell is empty or wrong.
func (r *Row) Whole(column string, least, most int64) (n int64, ok bool) {
	text := r.Text(column)
	if text == "" {
		return 0, false
	}
	n, f := ParseWhole(text, least, most)
	return n, r.clean(column, f)
}

// Hours returns a running time; ok is false if the cell is empty or wrong.
func (r *Row) Hours(column string, most time.Duration) (d time.Duration, ok bool) {
	text := r.Text(column)
	if text == "" {
		return 0, false
	}
	d, f := ParseHours(text, most)
	return d, r.clean(column, f)
}

// Mark returns a date or month; ok is false if the cell is empty or wrong.
func (r *Row) Mark(column string) (m civil.Mark, ok bool) {
	text := r.Text(column)
	if text == "" {
		return m, false
	}
	m, f := ParseMark(text, r.d.opt.Order)
	return m, r.clean(column, f)
}

// Day returns a date that is not a month; ok is false if the cell is empty or wrong.
func (r *Row) Day(column string) (d civil.Date, ok bool) {
	m, ok := r.Mark(column)
	if ok && m.IsMonth() {
		r.Problem(column, "a day is needed here, not a month", "write it as 2026-03-09")
		return 0, false
	}
	return m.First(), ok
}

// Instant returns the instant of a date cell and a time cell, local in loc; noon if there is no time. ok is false if the date
// is empty or either is wrong.
func (r *Row) Instant(date, clock string, loc *time.Location) (t time.Time, ok bool) {
	text := r.Text(date)
	if text == "" {
		return t, false
	}
	t, inTime, f := ParseInstant(text, r.Text(clock), r.d.opt.Order, loc)
	if inTime {
		return t, r.clean(clock, f)
	}
	return t, r.clean(date, f)
}

func (r *Row) clean(column string, f *Fault) bool {
	if f != nil {
		r.Problem(column, f.Text, f.Remedy)
	}
	return f == nil
}

// Free calls fn for every free column with a cell that is not empty: its name without the prefix, and the cell.
func (r *Row) Free(fn func(name, column, value string)) {
	for i, name := range r.d.head.free {
		if name != "" && r.at(i) != "" {
			fn(name, r.d.schema.Free+name, r.at(i))
		}
	}
}
