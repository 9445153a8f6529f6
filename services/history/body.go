package history

import (
	"encoding/binary"
	"errors"
	"fmt"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// The versions of the encoding of an entry's content; each stays readable for as long as there are ledgers. An entry has the first
// that can hold it, so that what version 1 can say is written as it always was.
const (
	bodyVersion      = 1
	bodyVersionUsage = 2 // usage with an estimate, an intake temperature or a rollover
	bodyVersionBench = 3 // an order's events, what was performed in an order, calibrations, and conditions that say what clears them
)

// AppendBody appends the canonical encoding of the entry's content, which is all that the client said but the ids. Equal contents
// have equal encodings and different ones differ, so that a repeated entry is recognised by its bytes. All numbers are big endian:
//
//	body        = u8 version (1 to 3) | instant occurred | text shop | text technician | text note | detail
//	detail      = u8 kind | usage (kind 1) or work (2, 3) or condition (4) or amendment (5) or event (6)
//	usage       = u8 0 | i64 dives | i64 running time in nanoseconds | i64 fills | text reference
//	            | u8 measure (1 dives, 2 running time, 3 fills) | i64 value | u8 replaced | i64 start (0 unless replaced) | text reference
//	              in versions 2 and 3 either is followed by
//	              u8 estimated | u8 0 or u8 1 and i16 degrees Celsius of the intake | i64 rollover (0 for none)
//	work        = u8 outcome (1 pass, 2 fail, 3 inconclusive, 4 condemned) | mark | text provider | u32 n | n * text activity
//	              in version 3 followed by uuid order | uuid entry of the readings (both zero for none) | bytes calibration
//	condition   = text condition | u8 severity (1 note, 2 pull)
//	              in version 3 followed by u32 n | n * text activity that clears it
//	amendment   = uuid corrected entry | text reason | u8 0, or u8 1 | instant occurred | detail (kind 1 to 4)
//	event       = uuid order | bytes event
//
//	instant     = i64 microseconds since 1970-01-01T00:00:00Z
//	mark        = u16 year | u8 month | u8 day (0 for a month alone); all 0 for no mark
//	text        = u32 length in bytes | that many bytes of UTF-8
//	bytes       = u32 length | that many bytes
//	uuid        = 16 bytes (RFC 9562)
//
// A calibration is the protobuf encoding of a strandline.history.v1.Calibration, and an event that of a strandline.history.v1.OrderEvent with its detail
// alone, fields in the order of their numbers, which never change.
//
// Running time is kept as nanoseconds, so value is in nanoseconds for measure 2; start and rollover are in seconds for it. A body is
// of version 3 if it is an order's event, or if its work or condition, or that of its replacement, has what only version 3 can say; otherwise of version 2
// if its usage, or that of its replacement, has an estimate, a temperature or a rollover; and otherwise of version 1.
func AppendBody(b []byte, e *Entry) []byte {
	version := e.version()
	b = append(b, version)
	b = appendInstant(b, e.Occurred)
	b = appendText(b, e.Shop)
	b = appendText(b, e.Technician)
	b = appendText(b, e.Note)
	return appendDetail(b, &e.Detail, version)
}

// version returns the first that can hold the detail.
func (d *Detail) version() byte {
	said := d
	if d.Amendment != nil && d.Amendment.Replacement != nil {
		said = &d.Amendment.Replacement.Detail
	}
	switch {
	case said.Order != nil,
		said.Service != nil && !said.Service.plain(),
		said.Test != nil && !said.Test.plain(),
		said.Condition != nil && len(said.Condition.ClearedBy) > 0:
		return bodyVersionBench
	case said.Usage != nil && !said.Usage.plain():
		return bodyVersionUsage
	}
	return bodyVersion
}

func appendDetail(b []byte, d *Detail, version byte) []byte {
	kind := d.Kind()
	b = append(b, byte(kind))
	switch kind {
	case KindUsage:
		u := d.Usage
		b = append(b, byte(u.Measure))
		if u.Measure == 0 {
			b = appendInt(b, u.Dives)
			b = appendInt(b, int64(u.Running))
			b = appendInt(b, u.Fills)
		} else {
			b = appendInt(b, u.Value)
			b = appendFlag(b, u.Replaced)
			b = appendInt(b, u.Start)
		}
		b = appendText(b, u.Reference)
		if version >= bodyVersionUsage {
			b = appendFlag(b, u.Estimated)
			b = appendFlag(b, u.HasCelsius)
			if u.HasCelsius {
				b = binary.BigEndian.AppendUint16(b, uint16(u.Celsius))
			}
			b = appendInt(b, u.Rollover)
		}
	case KindService:
		b = appendWork(b, d.Service, version)
	case KindTest:
		b = appendWork(b, d.Test, version)
	case KindCondition:
		b = appendText(b, d.Condition.Condition)
		b = append(b, byte(d.Condition.Severity))
		if version >= bodyVersionBench {
			b = appendTexts(b, d.Condition.ClearedBy)
		}
	case KindAmendment:
		a := d.Amendment
		b = append(b, a.Corrects[:]...)
		b = appendText(b, a.Reason)
		b = appendFlag(b, a.Replacement != nil)
		if a.Replacement != nil {
			b = appendInstant(b, a.Replacement.Occurred)
			b = appendDetail(b, &a.Replacement.Detail, version)
		}
	case KindOrder:
		b = append(b, d.Order.Order[:]...)
		b = appendBytes(b, d.Order.Content)
	}
	return b
}

func appendWork(b []byte, w *Work, version byte) []byte {
	b = append(b, byte(w.Outcome))
	year, month, day := w.Mark.Parts()
	b = binary.BigEndian.AppendUint16(b, uint16(year))
	b = append(b, byte(month), byte(day))
	b = appendText(b, w.Provider)
	b = appendTexts(b, w.Activities)
	if version >= bodyVersionBench {
		b = append(b, w.Order[:]...)
		b = append(b, w.Readings[:]...)
		b = appendBytes(b, w.Calibration)
	}
	return b
}

func appendTexts(b []byte, texts []string) []byte {
	b = binary.BigEndian.AppendUint32(b, uint32(len(texts)))
	for _, t := range texts {
		b = appendText(b, t)
	}
	return b
}

func appendBytes(b, content []byte) []byte {
	return append(binary.BigEndian.AppendUint32(b, uint32(len(content))), content...)
}

func appendInt(b []byte, n int64) []byte { return binary.BigEndian.AppendUint64(b, uint64(n)) }

func appendInstant(b []byte, t time.Time) []byte { return appendInt(b, t.UnixMicro()) }

func appendText(b []byte, s string) []byte {
	return append(binary.BigEndian.AppendUint32(b, uint32(len(s))), s...)
}

func appendFlag(b []byte, f bool) []byte {
	if f {
		return append(b, 1)
	}
	return append(b, 0)
}

// ParseBody reads what AppendBody wrote; the ids of the entry are zero. It takes no other bytes: whatever it returns encodes to
// exactly what it read.
func ParseBody(body []byte) (Entry, error) {
	r := reader{rest: body}
	r.version = r.byte()
	if r.err == nil && (r.version < bodyVersion || r.version > bodyVersionBench) {
		return Entry{}, fmt.Errorf("entry body of version %d", r.version)
	}
	var e Entry
	e.Occurred = r.instant()
	e.Shop = r.text()
	e.Technician = r.text()
	e.Note = r.text()
	e.Detail = r.detail(KindOrder)
	if v := e.version(); r.err == nil && r.version != v {
		r.fail(fmt.Sprintf("version %d for what version %d can say", r.version, v))
	}
	if r.err == nil && len(r.rest) > 0 {
		r.fail("bytes after the end")
	}
	if r.err != nil {
		return Entry{}, fmt.Errorf("entry body: %w", r.err)
	}
	return e, nil
}

// reader reads the encoding from the front; after the first fault it returns zeros.
type reader struct {
	rest    []byte
	version byte
	err     error
}

func (r *reader) fail(text string) {
	if r.err == nil {
		r.err = errors.New(text)
	}
	r.rest = nil
}

func (r *reader) take(n int) []byte {
	if r.err != nil || n > len(r.rest) {
		r.fail("ends too early")
		return nil
	}
	out := r.rest[:n]
	r.rest = r.rest[n:]
	return out
}

func (r *reader) byte() byte {
	if b := r.take(1); b != nil {
		return b[0]
	}
	return 0
}

func (r *reader) count() int {
	if b := r.take(4); b != nil {
		return int(binary.BigEndian.Uint32(b))
	}
	return 0
}

func (r *reader) int() int64 {
	if b := r.take(8); b != nil {
		return int64(binary.BigEndian.Uint64(b))
	}
	return 0
}

func (r *reader) instant() time.Time { return time.UnixMicro(r.int()).UTC() }

func (r *reader) flag() bool {
	b := r.byte()
	if b > 1 {
		r.fail("a flag that is neither 0 nor 1")
	}
	return b == 1
}

func (r *reader) text() string {
	b := r.take(r.count())
	if !utf8.Valid(b) {
		r.fail("text that is not UTF-8")
		return ""
	}
	return string(b)
}

func (r *reader) uuid() (id uuid.UUID) {
	copy(id[:], r.take(16))
	return id
}

// one reads a byte from 1 to last.
func (r *reader) one(last byte, what string) byte {
	b := r.byte()
	if r.err == nil && (b == 0 || b > last) {
		r.fail("unknown " + what)
	}
	return b
}

func (r *reader) detail(last Kind) (d Detail) {
	switch Kind(r.one(byte(last), "kind")) {
	case KindUsage:
		d.Usage = r.usage()
	case KindService:
		d.Service = r.work()
	case KindTest:
		d.Test = r.work()
		if len(d.Test.Activities) != 1 {
			r.fail("a test is of one activity")
		}
	case KindCondition:
		d.Condition = &Condition{Condition: r.text(), Severity: Severity(r.one(byte(Pull), "severity"))}
		if r.version >= bodyVersionBench {
			d.Condition.ClearedBy = r.texts()
		}
	case KindAmendment:
		a := &Amendment{Corrects: r.uuid(), Reason: r.text()}
		if r.flag() {
			a.Replacement = &Replacement{Occurred: r.instant(), Detail: r.detail(KindCondition)}
		}
		d.Amendment = a
	case KindOrder:
		d.Order = &OrderEvent{Order: r.uuid(), Content: r.bytes()}
	}
	return d
}

func (r *reader) usage() *Usage {
	u := &Usage{Measure: Measure(r.byte())}
	switch {
	case u.Measure > Fills:
		r.fail("unknown measure")
	case u.Measure == 0:
		u.Dives = r.int()
		u.Running = time.Duration(r.int())
		u.Fills = r.int()
	default:
		u.Value = r.int()
		u.Replaced = r.flag()
		u.Start = r.int()
		if u.Start != 0 && !u.Replaced {
			r.fail("a first reading of a meter that was not replaced")
		}
	}
	u.Reference = r.text()
	if r.version >= bodyVersionUsage {
		u.Estimated = r.flag()
		if u.HasCelsius = r.flag(); u.HasCelsius {
			if b := r.take(2); b != nil {
				u.Celsius = int16(binary.BigEndian.Uint16(b))
			}
		}
		u.Rollover = r.int()
	}
	return u
}

func (r *reader) work() *Work {
	w := &Work{Outcome: Outcome(r.one(byte(Condemned), "outcome"))}
	if b := r.take(4); b != nil && [4]byte(b) != [4]byte{} {
		mark, err := civil.MarkOf(int(binary.BigEndian.Uint16(b)), int(b[2]), int(b[3]))
		if err != nil {
			r.fail(err.Error())
		}
		w.Mark = mark
	}
	w.Provider = r.text()
	w.Activities = r.texts()
	if r.version >= bodyVersionBench {
		w.Order, w.Readings, w.Calibration = r.uuid(), r.uuid(), r.bytes()
	}
	return w
}

func (r *reader) texts() (out []string) {
	n := r.count()
	if n > len(r.rest)/4 {
		r.fail("ends too early")
		return nil
	}
	for range n {
		out = append(out, r.text())
	}
	return out
}

// bytes returns nil for none.
func (r *reader) bytes() []byte {
	n := r.count()
	if n == 0 {
		return nil
	}
	return r.take(n)
}
