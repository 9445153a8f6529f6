package main

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/sheet"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// maxKept is how many problems of one file are kept; the rest is counted.
const maxKept = 1000

// maxRows is how many rows a file may have. It bounds what has to be remembered to tell identical rows apart.
const maxRows = 5_000_000

// importFile is one file of an import and how it went.
type importFile struct {
	label string                        // as people named it
	open  func() (io.ReadCloser, error) // it is read more than once
	typ   *fileType
	size  int64

	rows       int64
	created    int64
	unchanged  int64
	problems   []sheet.Problem
	count      int64 // of all problems
	encoding   sheet.Encoding
	heads      map[string]head // columns of the schema as they stand in the file
	needs      map[*importFile]bool
	state      fileState
	waitingFor *importFile
}

type head struct {
	number int
	name   string
}

type fileState int

const (
	statePending  fileState = iota
	stateChecked            // dry run: no problem
	stateImported           // every row is in
	stateRejected           // has problems; nothing of it was written
	stateWaiting            // refers to a rejected file; nothing of it was written
)

func (f *importFile) report(p sheet.Problem) {
	f.count++
	if len(f.problems) < maxKept {
		f.problems = append(f.problems, p)
	}
}

// check turns the rows of one file into records and reports what is wrong with them.
type check struct {
	im   *importer
	w    *world
	f    *importFile
	seen *fingerprints // identical rows
	tags map[string]int64
	tech map[string]*registrypb.Technician
	// emit takes every good record, with the line of its row.
	emit func(line int64, record proto.Message) error
	err  error
	mute bool // second pass over a file that was found good: problems are known
}

// walk reads a file from its beginning; emit gets the record of every good row.
func (im *importer) walk(f *importFile, mute bool, tick func(read, rows int64), emit func(line int64, record proto.Message) error) (err error) {
	file, err := f.open()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	in := &counted{r: file}
	c := &check{im: im, w: im.world, f: f, seen: newFingerprints(), tags: map[string]int64{}, tech: map[string]*registrypb.Technician{}, emit: emit, mute: mute}
	d := sheet.Open(f.label, in, f.typ.schema, sheet.Options{Encoding: im.encoding, Order: im.order, Report: func(p sheet.Problem) {
		c.report(p)
	}})
	f.heads = map[string]head{}
	for _, col := range f.typ.schema.Columns {
		if n, name := d.Heading(col.Name); n > 0 {
			f.heads[col.Name] = head{n, name}
		}
	}
	for r := d.Next(); r != nil && c.err == nil; r = d.Next() {
		if tick != nil && d.Rows()%512 == 0 {
			tick(in.n, d.Rows())
		}
		if d.Rows() > maxRows {
			c.report(sheet.Problem{File: f.label, Line: r.Line, Text: fmt.Sprintf("the file has more than %d rows", maxRows), Remedy: "split it"})
			break
		}
		c.row(r)
	}
	if c.err == nil {
		c.technicians()
	}
	f.rows, f.encoding = d.Rows(), d.Encoding()
	if tick != nil {
		tick(in.n, d.Rows())
	}
	if c.err != nil {
		return c.err
	}
	return d.Err()
}

type counted struct {
	r io.Reader
	n int64
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	c.n += int64(n)
	return n, err
}

// report notes a problem, once for all passes over the file.
func (c *check) report(p sheet.Problem) {
	if !c.mute {
		c.f.report(p)
	}
}

// row checks one row and emits its record.
func (c *check) row(r *sheet.Row) {
	if c.f.typ.isHistory() {
		if e := c.f.typ.history(c, r); e != nil && !r.Bad && c.valid(r.Line, e) {
			c.send(r.Line, e)
		}
		return
	}
	if rec := c.f.typ.registry(c, r); rec != nil && !r.Bad {
		rec.Row = r.Line
		if c.valid(r.Line, rec) {
			c.send(r.Line, rec)
		}
	}
}

func (c *check) send(line int64, m proto.Message) {
	if c.err == nil && c.emit != nil {
		c.err = c.emit(line, m)
	}
}

// valid judges a record by the rules in the protos, which the server would refuse the whole stream for.
func (c *check) valid(line int64, m proto.Message) bool {
	err := protovalidate.Validate(m)
	if err == nil {
		return true
	}
	var bad *protovalidate.ValidationError
	if !asValidation(err, &bad) {
		c.err = err
		return false
	}
	for _, v := range bad.Violations {
		field := protovalidate.FieldPathString(v.Proto.GetField())
		value := ""
		if v.FieldValue.IsValid() {
			value = strings.Trim(fmt.Sprint(v.FieldValue.Interface()), "[]")
		}
		text, remedy := v.Proto.GetMessage(), "correct the cell"
		if v.Proto.GetRuleId() == "string.pattern" {
			text, remedy = patternWords(field)
		}
		c.report(c.f.located(line, field, value, text, remedy))
	}
	return false
}

// patternWords says in words what a pattern in the protos asks for.
func patternWords(field string) (text, remedy string) {
	switch {
	case strings.HasSuffix(field, "_tag"):
		return "this is not an asset tag", "write up to 40 letters, digits and . _ / -, beginning with a letter or digit"
	case strings.HasSuffix(field, "jurisdiction"):
		return "this is not a jurisdiction", "write a country as GB or a part of one as US-FL (ISO 3166)"
	case strings.Contains(field, "attributes"):
		return "this is not the name of an attribute", "head the column attr: with lower-case letters, digits and underscores, beginning with a letter"
	}
	return "this is not one word", "write up to 48 lower-case letters, digits and hyphens, beginning with a letter"
}

// located makes a problem of a field of a record: the column it comes from, by the last part of its path that is one.
func (f *importFile) located(line int64, field, value, text, remedy string) sheet.Problem {
	p := sheet.Problem{File: f.label, Line: line, Value: value, Text: text, Remedy: remedy}
	parts := strings.FieldsFunc(field, func(r rune) bool { return r == '.' || r == '[' || r == ']' })
	for _, part := range slices.Backward(parts) {
		if strings.HasPrefix(part, `"`) {
			part = freeAttr + strings.Trim(part, `"`)
		}
		col, ok := f.typ.fields[part]
		if !ok {
			continue
		}
		h := f.heads[col]
		p.Column, p.Name = h.number, h.name
		if h.number == 0 {
			p.Name = col
		}
		return p
	}
	p.Name = field
	return p
}

// need notes that the file depends on another of the import.
func (c *check) need(origin *importFile) {
	if origin != nil && origin != c.f && origin.state != stateImported {
		c.f.needs[origin] = true
	}
}

// shop returns the shop a cell names, nil if there is none such, which is then reported.
func (c *check) shop(r *sheet.Row, column string) *knownShop {
	id := strings.ToLower(r.Text(column))
	s := c.w.shops[id]
	if s == nil {
		remedy := "add it to shops.csv, or correct it"
		if n := nearTo(id, c.w.shops); n != "" {
			remedy = fmt.Sprintf("did you mean %q?", n)
		}
		r.Problem(column, "there is no such shop", remedy)
		return nil
	}
	c.need(s.origin)
	return s
}

// unit returns the unit a cell names by tag, nil if there is none such, which is then reported.
func (c *check) unit(r *sheet.Row, column string) *knownUnit {
	tag := r.Need(column, "write the unit's asset tag")
	if tag == "" {
		return nil
	}
	u := c.w.units[tag]
	if u == nil {
		remedy := "add it to units.csv, or correct the tag"
		if c.f.count < 100 {
			if n := nearTo(tag, c.w.units); n != "" {
				remedy = fmt.Sprintf("did you mean %q? Else add it to units.csv", n)
			}
		}
		r.Problem(column, "no unit has this tag", remedy)
		return nil
	}
	c.need(u.origin)
	return u
}

// technician returns the resource name of the technician a cell names; "" if it is empty or unknown, which is then reported.
func (c *check) technician(r *sheet.Row, column string) string {
	id := strings.ToLower(r.Text(column))
	if id == "" {
		return ""
	}
	t := c.w.technicians[id]
	if t == nil {
		remedy := "add the person to technicians.csv, or correct the id"
		if n := nearTo(id, c.w.technicians); n != "" {
			remedy = fmt.Sprintf("did you mean %q?", n)
		}
		r.Problem(column, "there is no such technician", remedy)
		return ""
	}
	c.need(t.origin)
	return c.w.org.Name() + "/technicians/" + id
}

// skew is how far clocks may differ.
const skew = 5 * time.Minute

// past checks that an instant does not lie in the future.
func (c *check) past(r *sheet.Row, column string, t time.Time) bool {
	if t.After(c.w.now.Add(skew)) {
		r.Problem(column, "this lies in the future", "write when it happened; what has not happened yet cannot be recorded")
		return false
	}
	return true
}

// pastMark checks that a date does not lie in the future, anywhere on Earth.
func (c *check) pastMark(r *sheet.Row, column string, m civil.Mark) bool {
	if m.First() > civil.In(c.w.now.Add(14*time.Hour), time.UTC) {
		r.Problem(column, "this date lies in the future", "correct it; what has not happened yet cannot be recorded")
		return false
	}
	return true
}

// id checks an id that people choose.
func (c *check) id(r *sheet.Row, column string) string {
	id := r.Need(column, "write an id of lower-case letters, digits and hyphens")
	if id == "" {
		return ""
	}
	ok := len(id) <= 40
	for i, b := range []byte(id) {
		inner := b == '-' && i > 0 && i < len(id)-1
		if !(b >= 'a' && b <= 'z' || b >= '0' && b <= '9' || inner) {
			ok = false
		}
	}
	if !ok {
		r.Problem(column, "this is not an id", "write 1 to 40 lower-case letters, digits and hyphens")
		return ""
	}
	return id
}

// first notes that a row defines a thing; a second row that defines the same is reported.
func (c *check) first(r *sheet.Row, column, id string) bool {
	if line, ok := c.tags[id]; ok {
		r.Problem(column, fmt.Sprintf("line %d has the same %s", line, column), "delete one of the rows, or correct it")
		return false
	}
	c.tags[id] = r.Line
	return true
}

// word turns what people write into a word of the API: "Visual inspection" is visual-inspection.
func word(text string) string {
	return strings.Join(strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return r == ' ' || r == '_' || r == '-' }), "-")
}

func dateOf(m civil.Mark) *date.Date {
	y, mo, d := m.Parts()
	return &date.Date{Year: int32(y), Month: int32(mo), Day: int32(d)}
}
