package sheet

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"runtime"
	"strings"
	"testing"
	"time"
	"unicode/utf16"
)

var testSchema = Schema{What: "thing", Free: "attr:", Columns: []Column{
	{Name: "tag", Aliases: []string{"asset tag", "unit"}, Required: true},
	{Name: "date", Aliases: []string{"day"}},
	{Name: "dives"},
	{Name: "note", Aliases: []string{"remarks"}},
}}

// read returns rows as cells by column joined with "|", and problems.
func read(t testing.TB, content string, opt Options) (rows, problems []string, d *Reader) {
	t.Helper()
	opt.Report = func(p Problem) { problems = append(problems, p.String()) }
	d = Open("f.csv", strings.NewReader(content), testSchema, opt)
	for r := d.Next(); r != nil; r = d.Next() {
		rows = append(rows, fmt.Sprintf("%d:%s|%s|%s|%s", r.Line, r.Text("tag"), r.Text("date"), r.Text("dives"), r.Text("note")))
	}
	if d.Err() != nil {
		t.Fatal(d.Err())
	}
	return rows, problems, d
}

func utf16Bytes(text string, order binary.AppendByteOrder) string {
	var b []byte
	for _, u := range utf16.Encode([]rune(text)) {
		b = order.AppendUint16(b, u)
	}
	return string(b)
}

func TestRead(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		give string
		opt  Options
		want []string
		bad  int
		enc  Encoding
		sep  byte
	}{
		{name: "comma", give: "tag,date,dives,note\nA,2026-01-02,3,x\n", want: []string{"2:A|2026-01-02|3|x"}},
		{name: "semicolon", give: "Tag;Date;Dives\nA;d;3,5\n", want: []string{"2:A|d|3,5|"}, sep: ';'},
		{name: "tab", give: "tag\tdate\nA\td\n", want: []string{"2:A|d||"}, sep: '\t'},
		{name: "sep line", give: "sep=;\ntag;note\nA;x,y\n", want: []string{"3:A|||x,y"}, sep: ';'},
		{name: "no line end at the end", give: "tag\nA", want: []string{"2:A|||"}},
		{name: "CR LF", give: "tag,note\r\nA,x\r\nB,y\r\n", want: []string{"2:A|||x", "3:B|||y"}},
		{name: "CR", give: "tag,note\rA,x\rB,y\r", want: []string{"2:A|||x", "3:B|||y"}},
		{name: "blank lines", give: "\n\r\n,,\ntag,note\n\nA,x\n,\n  \nB,y\n\n", want: []string{"6:A|||x", "9:B|||y"}},
		{name: "trailing empty columns", give: "tag,note,,\nA,x,,\n", want: []string{"2:A|||x"}},
		{name: "multi-line cell", give: "tag,note\nA,\"one\r\ntwo, \"\"three\"\"\"\nB,y\n", want: []string{"2:A|||one\ntwo, \"three\"", "4:B|||y"}},
		{name: "quote inside a cell", give: "tag,note\nA,12\" hose\n", want: []string{"2:A|||12\" hose"}},
		{name: "blank before a quote", give: "tag,note\nA, \"x, y\" \n", want: []string{"2:A|||x, y"}},
		{name: "aliases, case, spaces, units", give: "ASSET_TAG, Remarks ,Dives (total)\nA,x,3\n", want: []string{"2:A||3|x"}},
		{name: "mark of UTF-8", give: "\uFEFFtag,note\nA,é\n", want: []string{"2:A|||é"}, enc: UTF8},
		{name: "UTF-8", give: "tag,note\nA,é\n", want: []string{"2:A|||é"}, enc: UTF8},
		{name: "UTF-16 LE", give: utf16Bytes("\uFEFFtag;note\r\nA;é 🐙\r\n", binary.LittleEndian), want: []string{"2:A|||é 🐙"}, enc: UTF16LE, sep: ';'},
		{name: "UTF-16 BE", give: utf16Bytes("\uFEFFtag,note\nA,é 🐙\n", binary.BigEndian), want: []string{"2:A|||é 🐙"}, enc: UTF16BE},
		{name: "UTF-16 declared", give: utf16Bytes("tag,note\nA,é\n", binary.LittleEndian), opt: Options{Encoding: UTF16LE}, want: []string{"2:A|||é"}, enc: UTF16LE},
		{name: "Windows-1252", give: "tag,note\nA,caf\xe9 \x80\n", want: []string{"2:A|||café €"}, enc: Windows1252},
		{name: "Windows-1252 declared", give: "tag,note\nA,\xc3\xa9\n", opt: Options{Encoding: Windows1252}, want: []string{"2:A|||Ã©"}, enc: Windows1252},
		{name: "formula is data", give: "tag,note\nA,=1+1\n", want: []string{"2:A|||=1+1"}},
		{name: "short row", give: "tag,date,note\nA\n", want: []string{"2:A|||"}},
		{name: "no-break spaces", give: "tag,note\n\u00a0A\u00a0,x\n", want: []string{"2:A|||x"}, enc: UTF8},

		{name: "mixed: UTF-8 first", give: "tag,note\nA,é\nB,\xe9\nC,z\n", want: []string{"2:A|||é", "3:B|||", "4:C|||z"}, bad: 1, enc: UTF8},
		{name: "mixed: Windows-1252 first", give: "tag,note\nA,\xe9\nB,é\n", want: []string{"2:A|||é", "3:B|||"}, bad: 1, enc: Windows1252},
		{name: "not UTF-8 under its mark", give: "\uFEFFtag,note\nA,\xe9\n", want: []string{"2:A|||"}, bad: 1, enc: UTF8},
		{name: "byte that means nothing", give: "tag,note\nA,\xe9\x81\n", want: []string{"2:A|||"}, bad: 1, enc: Windows1252},
		{name: "lone surrogate", give: "\xff\xfe" + utf16Bytes("tag,note\nA,", binary.LittleEndian) + "\x00\xd8" + utf16Bytes("\n", binary.LittleEndian), want: []string{"2:A|||"}, bad: 1, enc: UTF16LE},
		{name: "half a character", give: "\xff\xfe" + utf16Bytes("tag\nA", binary.LittleEndian) + "B", want: []string{"2:|||"}, bad: 1, enc: UTF16LE},
		{name: "damaged text", give: "tag,note\nA,caf\uFFFD\n", want: []string{"2:A|||caf\uFFFD"}, bad: 1, enc: UTF8},
		{name: "NUL", give: "tag,note\nA,\x00\nB,y\n", want: []string{"3:B|||y"}, bad: 1},
		{name: "too many cells", give: "tag,note\nA,x,y\n", want: []string{"2:A|||x"}, bad: 1},
		{name: "value without a heading", give: "tag,,note\nA,x,y\n", want: []string{"2:A|||y"}, bad: 1},
		{name: "text behind a quote", give: "tag,note\nA,\"x\"y\n", want: []string{"2:A|||xy"}, bad: 1},
		{name: "quote never closed", give: "tag,note\nA,\"x\nB,y\n", bad: 1},
		{name: "long row", give: "tag,note\nA," + strings.Repeat("x", MaxRow) + "\nB,y\n", want: []string{"3:B|||y"}, bad: 1},
		{name: "long quote", give: "tag,note\nA,\"" + strings.Repeat("x\n", MaxRow) + "\"\nB,y\n", bad: 1},
		{name: "unknown column", give: "tag,nots\nA,x\n", bad: 1},
		{name: "missing column", give: "date,note\nd,x\n", bad: 1},
		{name: "column twice", give: "tag,unit\nA,B\n", bad: 1},
		{name: "no header", give: "A,2026-01-02,3\nB,2026-01-02,3\n", bad: 1},
		{name: "empty", give: "", bad: 1},
		{name: "mark alone", give: "\uFEFF", bad: 1, enc: UTF8},
		{name: "workbook", give: "PK\x03\x04\x14\x00", bad: 1},
		{name: "UTF-16 without its mark", give: utf16Bytes("tag,note\nA,x\n", binary.LittleEndian), bad: 1},
		{name: "UTF-32", give: "\xff\xfe\x00\x00t\x00\x00\x00", bad: 1},
		{name: "compressed", give: "\x1f\x8b\x08\x00", bad: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			rows, problems, d := read(t, c.give, c.opt)
			if fmt.Sprint(rows) != fmt.Sprint(c.want) {
				t.Errorf("rows %q, want %q", rows, c.want)
			}
			if len(problems) != c.bad {
				t.Errorf("problems %q, want %d", problems, c.bad)
			}
			for _, p := range problems {
				if !strings.Contains(p, "; ") {
					t.Errorf("no remedy in %q", p)
				}
			}
			if d.Encoding() != c.enc {
				t.Errorf("encoding %v, want %v", d.Encoding(), c.enc)
			}
			if c.sep != 0 && d.Separator() != c.sep {
				t.Errorf("separator %q, want %q", d.Separator(), c.sep)
			}
		})
	}
}

func TestProblemSaysWhere(t *testing.T) {
	t.Parallel()
	_, problems, _ := read(t, "Tag;Remarks\nA;é\nB;\xe9t\xe9\n", Options{})
	want := `f.csv:3: column 2 (Remarks): "?t?": two encodings in one file: the bytes E9 74 E9 are Windows-1252, those on line 2 (C3 A9) are UTF-8; correct the text and save the file as CSV UTF-8, or pass --encoding windows-1252 if all of it is that`
	if len(problems) != 1 || problems[0] != want {
		t.Errorf("got  %q\nwant %q", problems, want)
	}
	_, problems, _ = read(t, "tag,daet\nA,x\n", Options{})
	want = `f.csv:1: column 2 (daet): "daet": unknown column; did you mean "date"? Else delete the column or leave its heading and cells empty`
	if len(problems) != 1 || problems[0] != want {
		t.Errorf("got  %q\nwant %q", problems, want)
	}
}

func TestFreeColumns(t *testing.T) {
	t.Parallel()
	d := Open("f.csv", strings.NewReader("tag,Attr: Test Station\nA,x\n"), testSchema, Options{Report: func(p Problem) { t.Error(p) }})
	r := d.Next()
	var got string
	r.Free(func(name, _, value string) { got += name + "=" + value })
	if got != "test_station=x" {
		t.Error(got)
	}
}

func TestReportIsSafe(t *testing.T) {
	t.Parallel()
	var b bytes.Buffer
	if err := WriteReport(&b, []Problem{{File: "f.csv", Line: 2, Column: 1, Name: "=cmd", Value: "@x", Text: "-y", Remedy: "+z"}, {File: "f.csv", Value: "\tx"}}); err != nil {
		t.Fatal(err)
	}
	want := "file,line,column,column name,value,problem,what to do\nf.csv,2,1,'=cmd,'@x,'-y,'+z\nf.csv,,,,'\tx,,\n"
	if b.String() != want {
		t.Errorf("got %q", b.String())
	}
}

// endless is a file of size bytes that exists nowhere.
type endless struct {
	head, row string
	rest      string
	left      int
}

func (e *endless) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if e.rest == "" {
			if e.left <= 0 {
				if n == 0 {
					return 0, io.EOF
				}
				break
			}
			e.rest = e.row
			if e.head != "" {
				e.rest, e.head = e.head, ""
			}
			e.left -= len(e.rest)
		}
		k := copy(p[n:], e.rest)
		e.rest = e.rest[k:]
		n += k
	}
	return n, nil
}

// A file of 200 MB is read in the memory of a row.
func TestLargeFileStreams(t *testing.T) {
	size := 200 << 20
	if testing.Short() {
		size = 20 << 20
	}
	d := Open("f.csv", &endless{head: "tag,date,dives,note\n", row: "US-REG-001,2026-03-09,3,\"a note, of some length, as people write them\"\n", left: size}, testSchema, Options{Report: func(p Problem) { t.Error(p) }})
	var most uint64
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	before := m.HeapAlloc
	rows := 0
	for r := d.Next(); r != nil; r = d.Next() {
		if rows++; rows%200_000 == 0 {
			runtime.GC()
			runtime.ReadMemStats(&m)
			most = max(most, m.HeapAlloc)
		}
	}
	if d.Err() != nil || rows < size/80 {
		t.Fatal(d.Err(), rows)
	}
	if most > before+4<<20 {
		t.Errorf("%d bytes in use while reading, %d before", most, before)
	}
}

func FuzzReader(f *testing.F) {
	f.Add([]byte("tag,date\nA,2026-01-02\n"), uint8(0))
	f.Add([]byte("\xff\xfet\x00a\x00g\x00\n\x00A\x00\x00\xd8"), uint8(0))
	f.Add([]byte("tag;note\r\n\"A\"\"\";\"x\r\ny\"\r\n"), uint8(2))
	f.Add([]byte("sep=\t\ntag\tnote\nA\t\xe9\n"), uint8(1))
	f.Add([]byte("tag,note\nA,\"x"), uint8(3))
	f.Fuzz(func(t *testing.T, content []byte, enc uint8) {
		lines := int64(bytes.Count(content, []byte("\n")) + bytes.Count(content, []byte("\r")) + 2)
		problems := 0
		d := Open("f.csv", bytes.NewReader(content), testSchema, Options{Encoding: Encoding(enc % 5), Report: func(p Problem) {
			problems++
			if p.Text == "" || p.Remedy == "" || p.Line < 1 || p.Column < 0 {
				t.Errorf("%+v says too little", p)
			}
			if enc%5 < 3 && p.Line > lines {
				t.Errorf("%+v is beyond the file's %d lines", p, lines)
			}
		}})
		rows := int64(0)
		for r := d.Next(); r != nil; r = d.Next() {
			rows++
			bad := r.Bad
			total := 0
			for _, c := range r.cells {
				total += len(c)
			}
			if total > 4*MaxRow {
				t.Errorf("a row of %d bytes", total)
			}
			r.Mark("date")
			r.Instant("date", "note", time.UTC)
			r.Whole("dives", 0, 100)
			if bad && problems == 0 {
				t.Error("bad row without a problem")
			}
		}
		if d.Err() != nil {
			t.Error(d.Err())
		}
		if len(content) > 0 && rows == 0 && problems == 0 && d.Separator() == 0 {
			t.Error("neither rows nor problems nor a header")
		}
	})
}
