package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode"
)

// maxColumns is the most columns a file may have.
const maxColumns = 500

// Options say what a file does not say itself.
type Options struct {
	Encoding Encoding
	Order    DateOrder
	Report   func(Problem) // called for every problem, in the order of the file
}

// Reader reads one file. It is not for concurrent use.
type Reader struct {
	file    string
	schema  Schema
	opt     Options
	scan    *scanner
	dec     decoder
	head    *header
	row     Row
	rows    int64
	stopped bool
	err     error
}

// Open reads the header of a file. It never fails: a file that cannot be read at all is a problem, and Next returns nil.
func Open(file string, r io.Reader, schema Schema, opt Options) *Reader {
	d := &Reader{file: file, schema: schema, opt: opt}
	if err := d.open(r); err != nil {
		d.stopped = true
		var none *errNotText
		if errors.As(err, &none) {
			d.report(Problem{Line: 1, Text: none.text, Remedy: none.remedy})
		} else {
			d.err = err
		}
	}
	return d
}

func (d *Reader) open(r io.Reader) error {
	br, enc, err := sniff(r, d.opt.Encoding)
	if err != nil {
		return err
	}
	d.dec.declared = enc
	line := int64(1)
	// Blank lines before the header, and a line such as "sep=;" that some spreadsheet programs write, are passed over.
	var sep byte
	for {
		head, err := br.Peek(bufferSize)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if len(head) == 0 {
			return &errNotText{"the file is empty", "begin it with a row of headings: " + d.schema.headings()}
		}
		end := bytes.IndexByte(head, '\n')
		first := head
		if end >= 0 {
			first = head[:end+1]
		}
		trimmed := bytes.TrimRight(first, "\r\n")
		if rest, ok := bytes.CutPrefix(bytes.ToLower(trimmed), []byte("sep=")); ok && len(rest) == 1 {
			sep = rest[0]
		} else if len(bytes.Trim(trimmed, " \t;,\r")) > 0 {
			if sep == 0 {
				sep = d.separator(head)
			}
			break
		}
		if end < 0 && len(bytes.Trim(head, " \t;,\r\n")) == 0 && len(head) >= bufferSize {
			return &errNotText{"the file begins with blanks and nothing else", "begin it with a row of headings: " + d.schema.headings()}
		}
		if _, err := br.Discard(len(first)); err != nil {
			return err
		}
		line++
	}
	d.scan = newScanner(br, sep)
	d.scan.line = line
	rec, err := d.scan.next()
	if err != nil {
		return err
	}
	if rec.long || rec.open > 0 || rec.nul > 0 {
		d.unreadable(rec)
		d.stopped = true
		return nil
	}
	names := make([]string, 0, min(rec.len(), maxColumns))
	if rec.len() > maxColumns {
		return &errNotText{fmt.Sprintf("the header has %d columns, more than %d", rec.len(), maxColumns), "delete the columns that are not needed"}
	}
	ok := true
	for i := range rec.len() {
		text, p := d.dec.text(rec.cell(i), rec.line)
		if p != nil {
			p.Line, p.Column = rec.line, i+1
			d.report(*p)
			ok = false
		}
		names = append(names, trim(text))
	}
	for len(names) > 0 && names[len(names)-1] == "" {
		names = names[:len(names)-1]
	}
	h, good := d.schema.resolve(names, func(p Problem) {
		p.Line = rec.line
		d.report(p)
	})
	d.head = h
	d.stopped = !ok || !good
	return nil
}

// separator chooses the one that makes known headings of the first row; of equals, the one that occurs most.
func (d *Reader) separator(head []byte) byte {
	best, bestKnown, bestCells := byte(','), -1, -1
	for _, sep := range []byte{',', ';', '\t'} {
		known, cells := 0, 0
		quoted := false
		from := 0
		cell := func(to int) {
			text := strings.Trim(string(head[from:to]), " \"\r\n")
			if _, ok := d.schema.match(text); ok {
				known++
			} else if _, ok := d.schema.freeName(text); ok {
				known++
			}
			cells++
		}
		for i, b := range head {
			if b == '"' {
				quoted = !quoted
			}
			if quoted {
				continue
			}
			if b == sep {
				cell(i)
				from = i + 1
				if cells > maxColumns {
					break
				}
			}
			if b == '\n' || b == '\r' || i == len(head)-1 {
				if b != '\n' && b != '\r' {
					i++
				}
				if from <= i {
					cell(i)
				}
				break
			}
		}
		if known > bestKnown || known == bestKnown && cells > bestCells {
			best, bestKnown, bestCells = sep, known, cells
		}
	}
	return best
}

// Next returns the next row, nil after the last. The row is valid until the following call. Rows that cannot be split into
// cells are reported and passed over; a row with faulty cells is returned with Bad set.
func (d *Reader) Next() *Row {
	for !d.stopped {
		rec, err := d.scan.next()
		if err != nil {
			d.stopped = true
			if !errors.Is(err, io.EOF) {
				d.err = err
			}
			return nil
		}
		if rec.long || rec.open > 0 || rec.nul > 0 {
			d.unreadable(rec)
			d.rows++
			if rec.open > 0 {
				d.stopped = true
			}
			continue
		}
		if d.fill(rec) {
			d.rows++
			return &d.row
		}
	}
	return nil
}

// unreadable reports a record that has no cells to look at.
func (d *Reader) unreadable(rec *record) {
	name := ""
	column := max(rec.openAt, rec.nul)
	if d.head != nil && column > 0 && column <= len(d.head.names) {
		name = d.head.names[column-1]
	}
	p := Problem{Line: rec.line, Column: column, Name: name}
	switch {
	case rec.open > 0:
		p.Text = fmt.Sprintf("a quote that opens on line %d is never closed; the file was not read beyond it", rec.open)
		if rec.long {
			p.Text = fmt.Sprintf("a quote that opens on line %d is not closed within %d KiB; the file was not read beyond it", rec.open, MaxRow>>10)
		}
		p.Remedy = `close the quote, or write a quote inside a cell twice ("")`
	case rec.long:
		p.Column, p.Name = 0, ""
		p.Text = fmt.Sprintf("the row is longer than %d KiB", MaxRow>>10)
		p.Remedy = "shorten its cells"
	default:
		p.Text = "the row has a NUL byte: the file is damaged, or not plain text"
		p.Remedy = saveAgain
	}
	d.report(p)
}

// fill makes the row of a record; false for a blank one.
func (d *Reader) fill(rec *record) bool {
	r := &d.row
	*r = Row{d: d, Line: rec.line, cells: r.cells[:0]}
	blank := true
	for i := range rec.len() {
		text, p := d.dec.text(rec.cell(i), rec.line)
		text = trim(text)
		if p != nil {
			r.bad(i, p.Value, p.Text, p.Remedy)
		} else if strings.ContainsRune(text, unicode.ReplacementChar) {
			r.bad(i, text, "the text was damaged before: it has the mark of a character that could not be read", "type it again")
		}
		if text != "" || p != nil {
			blank = false
		}
		r.cells = append(r.cells, text)
	}
	if blank {
		return false
	}
	if rec.stray > 0 {
		r.bad(rec.stray-1, r.at(rec.stray-1), "text stands behind the closing quote", `write a quote inside a cell twice ("")`)
	}
	for i := range r.cells {
		if r.cells[i] == "" {
			continue
		}
		if i >= len(d.head.names) {
			r.bad(i, r.cells[i], fmt.Sprintf("the row has more cells than the header's %d", len(d.head.names)), "put cells that contain the separator in quotes, or delete what is too much")
			break
		}
		if d.head.names[i] == "" {
			r.bad(i, r.cells[i], "this column has no heading", "give it one, or empty the cell")
		}
	}
	return true
}

// trim takes blanks, no-break spaces and stray byte order marks off both ends.
func trim(text string) string {
	return strings.TrimFunc(text, func(r rune) bool { return unicode.IsSpace(r) || r == '\uFEFF' || r == '\u200B' })
}

func (d *Reader) report(p Problem) {
	p.File = d.file
	if d.opt.Report != nil {
		d.opt.Report(p)
	}
}

// Err returns what made reading fail, other than the file's content.
func (d *Reader) Err() error { return d.err }

// Rows returns how many rows that are not blank have been read.
func (d *Reader) Rows() int64 { return d.rows }

// Encoding returns what the file's text turned out to be so far; Auto while it is plain ASCII.
func (d *Reader) Encoding() Encoding {
	if d.dec.declared != Auto {
		return d.dec.declared
	}
	return d.dec.found
}

// Separator returns the separator of the file, 0 if it has none.
func (d *Reader) Separator() byte {
	if d.scan == nil {
		return 0
	}
	return d.scan.sep
}

// Has says whether the file has a column.
func (d *Reader) Has(column string) bool {
	if d.head == nil {
		return false
	}
	_, ok := d.head.index[column]
	return ok
}

// Heading returns a column's number, from 1, and its heading as it stands in the file; 0 if it has none.
func (d *Reader) Heading(column string) (int, string) {
	if d.head == nil {
		return 0, ""
	}
	i, ok := d.head.index[column]
	if !ok {
		return 0, ""
	}
	return i + 1, d.head.names[i]
}
