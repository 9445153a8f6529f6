package compliancepg

import (
	"encoding/binary"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/services/compliance/due"
)

// The code of an entry in a stored history:
//
//	id (16 bytes), occurred (8 bytes, microseconds since 1970), recorded (varint, microseconds after occurred), what it tells
//
// and of what it tells: flags (uvarint), then in this order what they say is there. Numbers are uvarints and varints of encoding/binary,
// running time in nanoseconds; a text is its length and its bytes. A correction is its own instant (8 bytes) and what it tells.
const (
	codeKind      = 1<<3 - 1 // of flags: the kind
	codeAmount    = 1 << 3   // dives, hours, fills (varints)
	codeReading   = 1 << 4   // meter (uvarint), replacement (varint, in its measure), rollover (varint)
	codeReplaced  = 1 << 5
	codeEstimated = 1 << 6
	codeCelsius   = 1 << 7  // varint
	codeOutcome   = 1 << 8  // uvarint
	codeWork      = 1 << 9  // activities: how many, and each as a text
	codeMark      = 1 << 10 // year, month, day or 0 (uvarints)
	codeCondition = 1 << 11 // text
	codePull      = 1 << 12
	codeCorrects  = 1 << 13 // 16 bytes
	codeCorrect   = 1 << 14 // the correction
	codeOrder     = 1 << 15 // its id (16 bytes), what happened (uvarint)
	codePart      = 1 << 16 // lot and part (texts), how many (varint)
	codeWithdraws = 1 << 17 // 16 bytes
	codeKnown     = 1<<18 - 1
)

// appendEntry appends an entry in its code. Its unit is told by the row.
func appendEntry(b []byte, e *due.Entry) []byte {
	b = append(b, e.ID[:]...)
	b = binary.BigEndian.AppendUint64(b, uint64(e.Occurred.UnixMicro()))
	b = binary.AppendVarint(b, e.Recorded.UnixMicro()-e.Occurred.UnixMicro())
	return appendTold(b, e)
}

func appendTold(b []byte, e *due.Entry) []byte {
	flags := uint64(e.Kind)
	for _, f := range []struct {
		is  bool
		bit uint64
	}{
		{e.Amount != due.Amount{}, codeAmount}, {e.Reading, codeReading}, {e.Replaced, codeReplaced}, {e.Estimated, codeEstimated}, {e.HasCelsius, codeCelsius},
		{e.Outcome != 0, codeOutcome}, {len(e.Activities) > 0, codeWork}, {!e.Mark.IsZero(), codeMark}, {e.Condition != "", codeCondition}, {e.Pull, codePull},
		{e.Corrects != uuid.Nil, codeCorrects}, {e.Correct != nil, codeCorrect}, {e.Order != nil, codeOrder},
		{e.Order != nil && (e.Order.Lot != "" || e.Order.Part != "" || e.Order.Count != 0), codePart},
		{e.Order != nil && e.Order.Withdraws != uuid.Nil, codeWithdraws},
	} {
		if f.is {
			flags |= f.bit
		}
	}
	b = binary.AppendUvarint(b, flags)
	if flags&codeAmount != 0 {
		b = binary.AppendVarint(b, e.Amount.Dives)
		b = binary.AppendVarint(b, int64(e.Amount.Hours))
		b = binary.AppendVarint(b, e.Amount.Fills)
	}
	if e.Reading {
		b = binary.AppendUvarint(b, uint64(e.Meter))
		b = binary.AppendVarint(b, measured(e.Replacement, e.Meter))
		b = binary.AppendVarint(b, e.Rollover)
	}
	if e.HasCelsius {
		b = binary.AppendVarint(b, int64(e.Celsius))
	}
	if flags&codeOutcome != 0 {
		b = binary.AppendUvarint(b, uint64(e.Outcome))
	}
	if flags&codeWork != 0 {
		b = binary.AppendUvarint(b, uint64(len(e.Activities)))
		for _, a := range e.Activities {
			b = appendText(b, a)
		}
	}
	if flags&codeMark != 0 {
		y, m, d := e.Mark.Parts()
		b = binary.AppendUvarint(b, uint64(y))
		b = binary.AppendUvarint(b, uint64(m))
		b = binary.AppendUvarint(b, uint64(d))
	}
	if flags&codeCondition != 0 {
		b = appendText(b, e.Condition)
	}
	if flags&codeCorrects != 0 {
		b = append(b, e.Corrects[:]...)
	}
	if e.Correct != nil {
		b = binary.BigEndian.AppendUint64(b, uint64(e.Correct.Occurred.UnixMicro()))
		b = appendTold(b, e.Correct)
	}
	if e.Order != nil {
		b = append(b, e.Order.Order[:]...)
		b = binary.AppendUvarint(b, uint64(e.Order.What))
	}
	if flags&codePart != 0 {
		b = appendText(b, e.Order.Lot)
		b = appendText(b, e.Order.Part)
		b = binary.AppendVarint(b, int64(e.Order.Count))
	}
	if flags&codeWithdraws != 0 {
		b = append(b, e.Order.Withdraws[:]...)
	}
	return b
}

func appendText(b []byte, s string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(s))), s...)
}

// entryReader reads histories from their code. It is bad once something was not what it should be.
type entryReader struct {
	left       []byte
	bad        bool
	increments slab[due.Increment]
	entries    slab[due.Entry]
	activities map[string][]string // by their code: what several entries tell is kept once
}

// again forgets what was read: its memory is for what is read next.
func (r *entryReader) again() {
	r.bad = false
	r.increments.again()
	r.entries.again()
}

// read reads a part of the history of a unit.
func (r *entryReader) read(unit uuid.UUID, code []byte) error {
	for r.left = code; len(r.left) > 0; {
		if r.increment() {
			continue
		}
		e := r.entries.add()
		*e = due.Entry{Unit: unit, ID: r.id()}
		occurred := r.micro()
		e.Occurred, e.Recorded = time.UnixMicro(occurred).UTC(), time.UnixMicro(occurred+r.varint()).UTC()
		r.told(e, r.uvarint(), false)
		if r.bad {
			return errs.New(errs.Internal, "INTERNAL", fmt.Sprintf("a stored history of unit %s cannot be read; rebuild the projection", unit), "unit", unit.String())
		}
	}
	return nil
}

// increment reads the next entry if it is a plain increment, which nearly all are, and leaves it otherwise.
func (r *entryReader) increment() bool {
	const head = 16 + 8
	b := r.left
	if len(b) < head {
		return false
	}
	at := head
	var numbers [5]uint64 // recorded, flags, dives, hours, fills
	for i := range numbers {
		var v uint64
		n := 1
		if at < len(b) && b[at] < 0x80 {
			v = uint64(b[at])
		} else if v, n = binary.Uvarint(b[at:]); n <= 0 {
			return false
		}
		numbers[i] = v
		at += n
		if i == 1 && v != uint64(due.UsageEntry)|codeAmount {
			return false
		}
	}
	occurred := int64(binary.BigEndian.Uint64(b[16:]))
	*r.increments.add() = due.Increment{
		ID: uuid.UUID(b[:16]), Occurred: due.InstantOfMicro(occurred), Recorded: due.InstantOfMicro(occurred + signed(numbers[0])),
		Amount: due.Amount{Dives: signed(numbers[2]), Hours: time.Duration(signed(numbers[3])), Fills: signed(numbers[4])},
	}
	r.left = b[at:]
	return true
}

// signed returns the number of a varint, as binary.Varint does.
func signed(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

// history returns what was read since the history before.
func (r *entryReader) history(unit uuid.UUID) due.History {
	return due.History{Unit: unit, Increments: r.increments.cut(), Entries: r.entries.cut()}
}

// told reads what an entry tells into a zero Entry.
func (r *entryReader) told(e *due.Entry, flags uint64, correction bool) {
	e.Kind = due.Kind(flags & codeKind)
	const ofOrder = codePart | codeWithdraws
	if flags > codeKnown || correction && flags&(codeCorrects|codeCorrect|codeOrder) != 0 || flags&codeOrder == 0 && flags&ofOrder != 0 {
		r.bad = true
		return
	}
	e.Replaced, e.Estimated, e.Pull = flags&codeReplaced != 0, flags&codeEstimated != 0, flags&codePull != 0
	if flags&codeAmount != 0 {
		e.Amount = due.Amount{Dives: r.varint(), Hours: time.Duration(r.varint()), Fills: r.varint()}
	}
	if flags&codeReading != 0 {
		e.Reading, e.Meter = true, due.Measure(r.small())
		e.Replacement, e.Rollover = amountOf(r.varint(), e.Meter), r.varint()
	}
	if flags&codeCelsius != 0 {
		v := r.varint()
		e.Celsius, e.HasCelsius = int16(v), true
		r.bad = r.bad || int64(e.Celsius) != v
	}
	if flags&codeOutcome != 0 {
		e.Outcome = due.Outcome(r.small())
	}
	if flags&codeWork != 0 {
		e.Activities = r.work()
	}
	if flags&codeMark != 0 {
		y, m, d := r.uvarint(), r.uvarint(), r.uvarint()
		mark, err := civil.MarkOf(int(min(y, 1<<20)), int(min(m, 1<<20)), int(min(d, 1<<20)))
		e.Mark, r.bad = mark, r.bad || err != nil
	}
	if flags&codeCondition != 0 {
		e.Condition = string(r.text())
	}
	if flags&codeCorrects != 0 {
		e.Corrects = r.id()
	}
	if flags&codeCorrect != 0 {
		e.Correct = &due.Entry{ID: e.Corrects, Unit: e.Unit, Occurred: time.UnixMicro(r.micro()).UTC(), Recorded: e.Recorded}
		r.told(e.Correct, r.uvarint(), true)
	}
	if flags&codeOrder != 0 {
		e.Order = &due.OrderEvent{Order: r.id(), What: due.OrderStep(r.small())}
	}
	if flags&codePart != 0 {
		e.Order.Lot, e.Order.Part = string(r.text()), string(r.text())
		v := r.varint()
		e.Order.Count = int32(v)
		r.bad = r.bad || int64(e.Order.Count) != v
	}
	if flags&codeWithdraws != 0 {
		e.Order.Withdraws = r.id()
	}
}

// work reads activities. Entries share the slice, which nobody writes.
func (r *entryReader) work() []string {
	whole := r.left
	n := r.uvarint()
	if n > uint64(len(r.left)) {
		r.bad = true
		return nil
	}
	for range n {
		r.text()
	}
	if r.bad {
		return nil
	}
	code := whole[:len(whole)-len(r.left)]
	if all, ok := r.activities[string(code)]; ok {
		return all
	}
	all := make([]string, 0, n)
	for again := (entryReader{left: code}); len(all) < cap(all); {
		if len(all) == 0 {
			again.uvarint()
		}
		all = append(all, string(again.text()))
	}
	if r.activities == nil {
		r.activities = map[string][]string{}
	}
	r.activities[string(code)] = all
	return all
}

var zeroes [16]byte

// bytes returns the next bytes; zeroes if there are not so many.
func (r *entryReader) bytes(n int) []byte {
	if n > len(r.left) {
		r.bad, r.left = true, nil
		return zeroes[:min(n, len(zeroes))]
	}
	b := r.left[:n]
	r.left = r.left[n:]
	return b
}

func (r *entryReader) id() uuid.UUID { return uuid.UUID(r.bytes(16)) }

// micro reads an instant in microseconds since 1970.
func (r *entryReader) micro() int64 { return int64(binary.BigEndian.Uint64(r.bytes(8))) }

func (r *entryReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.left)
	if n <= 0 {
		r.bad, r.left = true, nil
		return 0
	}
	r.left = r.left[n:]
	return v
}

func (r *entryReader) varint() int64 {
	v, n := binary.Varint(r.left)
	if n <= 0 {
		r.bad, r.left = true, nil
		return 0
	}
	r.left = r.left[n:]
	return v
}

// small reads a number of at most a byte.
func (r *entryReader) small() uint8 {
	v := r.uvarint()
	r.bad = r.bad || v > 255
	return uint8(v)
}

func (r *entryReader) text() []byte {
	n := r.uvarint()
	if n > uint64(len(r.left)) {
		r.bad, r.left = true, nil
		return nil
	}
	return r.bytes(int(n))
}

func measured(a due.Amount, m due.Measure) int64 {
	switch m {
	case due.Dives:
		return a.Dives
	case due.Hours:
		return int64(a.Hours)
	}
	return a.Fills
}

func amountOf(n int64, m due.Measure) due.Amount {
	switch m {
	case due.Dives:
		return due.Amount{Dives: n}
	case due.Hours:
		return due.Amount{Hours: time.Duration(n)}
	}
	return due.Amount{Fills: n}
}
