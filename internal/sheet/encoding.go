package sheet

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
)

// Encoding is how a file's bytes are text.
type Encoding int

// The encodings. Auto is UTF-8, or UTF-16 if the file begins with its mark, or Windows-1252 if bytes say so.
const (
	Auto Encoding = iota
	UTF8
	Windows1252
	UTF16LE
	UTF16BE
)

// String returns the name people know the encoding by.
func (e Encoding) String() string {
	switch e {
	case UTF8:
		return "UTF-8"
	case Windows1252:
		return "Windows-1252"
	case UTF16LE:
		return "UTF-16 LE"
	case UTF16BE:
		return "UTF-16 BE"
	}
	return "auto"
}

// ParseEncoding reads the name of an encoding.
func ParseEncoding(name string) (Encoding, bool) {
	switch strings.ToLower(strings.NewReplacer("-", "", "_", "", " ", "").Replace(name)) {
	case "", "auto":
		return Auto, true
	case "utf8":
		return UTF8, true
	case "windows1252", "cp1252", "ansi":
		return Windows1252, true
	case "utf16le":
		return UTF16LE, true
	case "utf16be":
		return UTF16BE, true
	}
	return Auto, false
}

const saveAgain = "open it in the spreadsheet program and save it as CSV UTF-8"

// errNotText says that a file is no text at all.
type errNotText struct{ text, remedy string }

func (e *errNotText) Error() string { return e.text }

// sniff looks at the first bytes, takes the byte order mark away and returns a reader of ASCII-compatible text. The mark
// settles the encoding; declared settles it otherwise.
func sniff(r io.Reader, declared Encoding) (*bufio.Reader, Encoding, error) {
	br := bufio.NewReaderSize(r, bufferSize)
	head, err := br.Peek(4096)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return nil, declared, err
	}
	has := func(prefix string) bool { return strings.HasPrefix(string(head), prefix) }
	switch {
	case has("PK\x03\x04"):
		return nil, declared, &errNotText{"this is a spreadsheet workbook or another packed file, not CSV", saveAgain}
	case has("\xD0\xCF\x11\xE0"):
		return nil, declared, &errNotText{"this is a spreadsheet workbook, not CSV", saveAgain}
	case has("\x1F\x8B"):
		return nil, declared, &errNotText{"this file is compressed", "unpack it first"}
	case has("%PDF"):
		return nil, declared, &errNotText{"this is a PDF, not CSV", "export the table itself as CSV UTF-8"}
	case has("\xFF\xFE\x00\x00"), has("\x00\x00\xFE\xFF"):
		return nil, declared, &errNotText{"this file is UTF-32, which is not read", saveAgain}
	case has("\xEF\xBB\xBF"):
		if declared == UTF16LE || declared == UTF16BE {
			return nil, declared, &errNotText{"the file begins with the mark of UTF-8, and was declared " + declared.String(), "leave out --encoding"}
		}
		_, err := br.Discard(3)
		if declared == Windows1252 {
			return br, Windows1252, err
		}
		return br, UTF8, err
	case has("\xFF\xFE") && declared != UTF16BE:
		_, err := br.Discard(2)
		return utf16Text(br, false), UTF16LE, err
	case has("\xFE\xFF") && declared != UTF16LE:
		_, err := br.Discard(2)
		return utf16Text(br, true), UTF16BE, err
	}
	switch declared {
	case UTF16LE, UTF16BE:
		return utf16Text(br, declared == UTF16BE), declared, nil
	case Auto, UTF8:
		if even, odd := zeros(head); even+odd > len(head)/4 && (even == 0 || odd == 0) {
			guess := "utf-16le"
			if odd == 0 {
				guess = "utf-16be"
			}
			return nil, declared, &errNotText{"every other byte is zero: this looks like UTF-16 without its mark", saveAgain + ", or pass --encoding " + guess}
		}
	}
	return br, declared, nil
}

func zeros(head []byte) (even, odd int) {
	for i, b := range head {
		if b == 0 {
			if i%2 == 0 {
				even++
			} else {
				odd++
			}
		}
	}
	return even, odd
}

// utf16Text returns the text of a UTF-16 stream as UTF-8. What is no UTF-16 (a lone surrogate, half a character at the end)
// comes out as bytes that are no UTF-8, so that it is reported where it stands.
func utf16Text(r *bufio.Reader, big bool) *bufio.Reader {
	return bufio.NewReaderSize(&utf16Reader{r: r, big: big}, bufferSize)
}

type utf16Reader struct {
	r       *bufio.Reader
	big     bool
	pending []byte
	high    rune // a high surrogate that waits for its partner
	scratch [8]byte
}

func (u *utf16Reader) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		if len(u.pending) > 0 {
			k := copy(p[n:], u.pending)
			u.pending = u.pending[k:]
			n += k
			continue
		}
		if err := u.next(); err != nil {
			if n > 0 && errors.Is(err, io.EOF) {
				return n, nil
			}
			return n, err
		}
	}
	return n, nil
}

// next puts the bytes of the next character into pending.
func (u *utf16Reader) next() error {
	a, err := u.r.ReadByte()
	if err != nil {
		if u.high != 0 && errors.Is(err, io.EOF) {
			u.pending = surrogate(u.scratch[:0], u.high)
			u.high = 0
			return nil
		}
		return err
	}
	b, err := u.r.ReadByte()
	if errors.Is(err, io.EOF) {
		u.pending = append(u.scratch[:0], 0xFF)
		return nil
	}
	if err != nil {
		return err
	}
	c := rune(b)<<8 | rune(a)
	if u.big {
		c = rune(a)<<8 | rune(b)
	}
	out := u.scratch[:0]
	switch {
	case u.high != 0 && c >= 0xDC00 && c < 0xE000:
		out = utf8.AppendRune(out, 0x10000+(u.high-0xD800)<<10+(c-0xDC00))
		u.high = 0
		u.pending = out
		return nil
	case u.high != 0:
		out = surrogate(out, u.high)
		u.high = 0
	}
	switch {
	case c >= 0xD800 && c < 0xDC00:
		u.high = c
	case c >= 0xDC00 && c < 0xE000:
		out = surrogate(out, c)
	default:
		out = utf8.AppendRune(out, c)
	}
	u.pending = out
	return nil
}

// surrogate appends a lone surrogate in the three bytes that UTF-8 forbids for it.
func surrogate(b []byte, c rune) []byte {
	return append(b, 0xE0|byte(c>>12), 0x80|byte(c>>6)&0x3F|0x80, 0x80|byte(c)&0x3F)
}

// decoder turns the bytes of cells into text and remembers which encoding the file has shown so far.
type decoder struct {
	declared Encoding // Auto while it is to be found out
	found    Encoding // UTF8 or Windows1252 once a byte above ASCII has been seen
	line     int64    // where
	example  []byte   // which
}

// text decodes a cell; where it cannot, it says why.
func (d *decoder) text(cell []byte, line int64) (string, *Problem) {
	high := -1
	for i, b := range cell {
		if b >= utf8.RuneSelf {
			high = i
			break
		}
	}
	if high < 0 {
		return string(cell), nil
	}
	valid := utf8.Valid(cell)
	enc := d.declared
	switch {
	case enc == Windows1252:
		return d.windows(cell, line)
	case enc != Auto: // UTF-8, or UTF-16 made UTF-8
		if !valid {
			return "", &Problem{Value: lossy(cell), Text: fmt.Sprintf("the bytes %s are not %s, which the file is", odd(cell), enc), Remedy: saveAgain}
		}
		return string(cell), nil
	}
	is := Windows1252
	if valid {
		is = UTF8
	}
	switch {
	case d.found == Auto:
		d.found, d.line, d.example = is, line, []byte(odd2(cell, valid))
	case d.found != is:
		return "", &Problem{
			Value:  lossy(cell),
			Text:   fmt.Sprintf("two encodings in one file: the bytes %s are %s, those on line %d (%s) are %s", odd2(cell, valid), is, d.line, d.example, d.found),
			Remedy: fmt.Sprintf("correct the text and save the file as CSV UTF-8, or pass --encoding %s if all of it is that", strings.ToLower(Windows1252.String())),
		}
	}
	if is == Windows1252 {
		return d.windows(cell, line)
	}
	return string(cell), nil
}

// windows decodes Windows-1252, in which five bytes mean nothing.
func (d *decoder) windows(cell []byte, _ int64) (string, *Problem) {
	var b strings.Builder
	for _, c := range cell {
		switch c {
		case 0x81, 0x8D, 0x8F, 0x90, 0x9D:
			return "", &Problem{Value: lossy(cell), Text: fmt.Sprintf("the byte %02X is no character of Windows-1252, which the file seems to be", c), Remedy: saveAgain}
		}
		b.WriteRune(charmap.Windows1252.DecodeByte(c))
	}
	return b.String(), nil
}

// odd prints the first bytes of a cell that are not UTF-8.
func odd(cell []byte) string {
	for i := 0; i < len(cell); {
		r, n := utf8.DecodeRune(cell[i:])
		if r == utf8.RuneError && n <= 1 {
			return hexBytes(cell[i:min(i+3, len(cell))])
		}
		i += n
	}
	return ""
}

// odd2 prints the first bytes above ASCII: one character of UTF-8, or the first that is none.
func odd2(cell []byte, valid bool) string {
	if !valid {
		return odd(cell)
	}
	for i := 0; i < len(cell); {
		_, n := utf8.DecodeRune(cell[i:])
		if n > 1 {
			return hexBytes(cell[i : i+n])
		}
		i += n
	}
	return ""
}

func hexBytes(b []byte) string { return strings.ToUpper(fmt.Sprintf("% x", b)) }

// lossy returns a cell for a message: what is not UTF-8 as question marks.
func lossy(cell []byte) string { return strings.ToValidUTF8(string(cell), "?") }
