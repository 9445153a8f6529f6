package sheet

import (
	"bufio"
	"errors"
	"io"
)

// MaxRow is the most bytes a row may have.
const MaxRow = 64 << 10

const bufferSize = 128 << 10

// record is the raw cells of one row. It is valid until the next one is read.
type record struct {
	line   int64 // on which it begins
	text   []byte
	ends   []int // end of each cell in text
	nul    int   // first cell with a NUL byte, from 1; 0 for none
	long   bool  // longer than MaxRow: the cells are not to be used
	open   int64 // line on which a quote opens that nothing closes; 0 if all are closed
	openAt int   // in this cell, from 1
	stray  int   // first cell with text after its closing quote, from 1; 0 for none
}

func (r *record) len() int { return len(r.ends) }

func (r *record) cell(i int) []byte {
	from := 0
	if i > 0 {
		from = r.ends[i-1]
	}
	return r.text[from:r.ends[i]]
}

// scanner splits text into records. Line ends are LF, CR LF or CR; within quotes CR LF reads as LF.
type scanner struct {
	r    *bufio.Reader
	sep  byte
	line int64 // of the next byte
	rec  record
}

func newScanner(r *bufio.Reader, sep byte) *scanner { return &scanner{r: r, sep: sep, line: 1} }

// next reads a record: io.EOF after the last. A record that is too long, or whose quote is never closed, is returned as
// such without its cells.
func (s *scanner) next() (*record, error) {
	rec := &s.rec
	*rec = record{line: s.line, text: rec.text[:0], ends: rec.ends[:0]}
	const (
		start = iota // of a cell, after any blanks
		plain
		quoted
		closed // after a closing quote
	)
	state, size := start, 0
	cellFrom := 0 // start of the present cell in rec.text
	var quoteLine int64
	var quoteCell int
	put := func(b byte) {
		if !rec.long {
			rec.text = append(rec.text, b)
		}
	}
	end := func() {
		if !rec.long {
			rec.ends = append(rec.ends, len(rec.text))
			cellFrom = len(rec.text)
		}
	}
	for {
		b, err := s.r.ReadByte()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				return nil, err
			}
			if size == 0 {
				return nil, io.EOF
			}
			if state == quoted {
				rec.open, rec.openAt = quoteLine, quoteCell
			}
			end()
			return rec, nil
		}
		size++
		if size > MaxRow {
			if state == quoted {
				// There is no telling where the row should have ended: what follows cannot be trusted.
				rec.long, rec.open, rec.openAt = true, quoteLine, quoteCell
				return rec, nil
			}
			rec.long = true
		}
		if b == 0 && rec.nul == 0 {
			rec.nul = len(rec.ends) + 1
		}
		if b == '\r' {
			if next, err := s.r.Peek(1); err == nil && next[0] == '\n' {
				if state == quoted {
					continue // the LF counts
				}
				_, _ = s.r.Discard(1)
			}
			b = '\n'
		}
		if b == '\n' {
			s.line++
			if state != quoted {
				end()
				return rec, nil
			}
		}
		switch state {
		case start:
			switch b {
			case s.sep:
				end()
			case '"':
				rec.text = rec.text[:min(cellFrom, len(rec.text))]
				state, quoteLine, quoteCell = quoted, s.line, len(rec.ends)+1
			case ' ':
				put(b)
			default:
				put(b)
				state = plain
			}
		case plain:
			if b == s.sep {
				end()
				state = start
			} else {
				put(b) // a quote inside a cell is data: 12" hose
			}
		case quoted:
			if b != '"' {
				put(b)
				continue
			}
			if next, err := s.r.Peek(1); err == nil && next[0] == '"' {
				_, _ = s.r.Discard(1)
				size++
				put('"')
				continue
			}
			state = closed
		case closed:
			switch b {
			case s.sep:
				end()
				state = start
			case ' ', '\t':
			default:
				if rec.stray == 0 {
					rec.stray = len(rec.ends) + 1
				}
				put(b)
			}
		}
	}
}
