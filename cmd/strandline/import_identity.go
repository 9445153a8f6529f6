package main

import (
	"encoding/binary"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/tenant"
)

// rowKey is what makes a row of history the same row in a later import: the kind of file, the unit's tag, when it happened,
// and the shop's own reference, or else what happened.
type rowKey struct {
	kind     string
	tag      string
	occurred time.Time
	what     string // the reference, or the content where there is none
}

// entryID returns the entry's id: a UUID (version 5) of the org and the key, so that importing a file again finds its rows
// in the ledger. Ordinal tells rows of one file apart that are the same in everything.
func entryID(org tenant.Org, k rowKey, ordinal int) uuid.UUID {
	return uuid.NewSHA1(org.UUID, fmt.Appendf(nil, "entry\x1f%s\x1f%s\x1f%s\x1f%s\x1f%d", k.kind, k.tag, k.occurred.UTC().Format(time.RFC3339Nano), k.what, ordinal))
}

// plannedUnit returns a name for a unit that does not exist yet, to speak of it in a dry run.
func plannedUnit(org tenant.Org, tag string) string {
	return org.Name() + "/units/" + uuid.NewSHA1(org.UUID, []byte("planned unit\x1f"+tag)).String()
}

// fingerprints counts how often each id of a file came, in eight bytes an id: a set with open addressing. Two different ids
// agree in eight bytes about once in a million files of the greatest size; an ordinal is then one higher than it need be.
type fingerprints struct {
	slots []uint64
	n     int
	again map[uint64]int
}

func newFingerprints() *fingerprints {
	return &fingerprints{slots: make([]uint64, 1024), again: map[uint64]int{}}
}

// ordinal returns how often the id came before, and notes it.
func (f *fingerprints) ordinal(id uuid.UUID) int {
	x := binary.BigEndian.Uint64(id[8:]) ^ binary.BigEndian.Uint64(id[:8])
	if x == 0 {
		x = 1
	}
	if f.put(x) {
		return 0
	}
	f.again[x]++
	return f.again[x]
}

// put adds x; false if it was there.
func (f *fingerprints) put(x uint64) bool {
	if 2*f.n >= len(f.slots) {
		old := f.slots
		f.slots, f.n = make([]uint64, 2*len(old)), 0
		for _, y := range old {
			if y != 0 {
				f.put(y)
			}
		}
	}
	mask := uint64(len(f.slots) - 1)
	for i := x & mask; ; i = (i + 1) & mask {
		switch f.slots[i] {
		case 0:
			f.slots[i] = x
			f.n++
			return true
		case x:
			return false
		}
	}
}
