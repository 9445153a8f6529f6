package history

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// The chain, so that anyone can check it with a SHA-256 (FIPS 180-4) and nothing of ours:
//
//	digest 0 = SHA-256( 0x00 | 32 zero bytes | the org's UUID )
//	digest n = SHA-256( 0x01 | digest n-1 | record n )            for the entry with sequence n
//
//	record   = u8 version (1)
//	         | uuid org        | i64 sequence  | uuid entry | uuid unit | text shop
//	         | u8 kind         | instant occurred | instant recorded
//	         | u8 0, or u8 1 and the uuid of the entry it corrects
//	         | text recorder   | bytes body
//
//	u8, i64  = unsigned byte; signed 64 bits, big endian
//	uuid     = 16 bytes (RFC 9562)
//	instant  = i64 microseconds since 1970-01-01T00:00:00Z
//	text     = u32 length in bytes, big endian | that many bytes of UTF-8
//	bytes    = u32 length, big endian | that many bytes
//
// The fields are the columns of the table `entries`, as they are; the digest is its column `digest`. The last digest is also in
// `heads`. The body is the content as AppendBody describes it; kind, occurred and corrects repeat what it says, as does
// the column order_id. The org's UUID is
// the version 5 UUID of its id in the namespace that package tenant states.
//
// The chain shows any change to a ledger whose head is known from elsewhere, and any change short of recomputing all digests from
// the changed entry on and the head with them. It does not by itself show that somebody with the owner's rights did just that.
const (
	tagGenesis = 0x00
	tagEntry   = 0x01

	recordVersion = 1
)

// Genesis returns the digest before an org's first entry.
func Genesis(org uuid.UUID) [32]byte {
	var b [1 + 32 + 16]byte
	b[0] = tagGenesis
	copy(b[33:], org[:])
	return sha256.Sum256(b[:])
}

// Chain computes digests, one entry after the other. It is not safe for concurrent use.
type Chain struct {
	org  uuid.UUID
	last [32]byte
	buf  []byte
}

// NewChain returns the chain of an org after head.
func NewChain(org tenant.Org, head Head) *Chain {
	c := &Chain{org: org.UUID, last: head.Digest, buf: make([]byte, 0, 1024)}
	if head.Number == 0 {
		c.last = Genesis(org.UUID)
	}
	return c
}

// Next returns the digest of r, which follows the row before.
func (c *Chain) Next(r *Row) [32]byte {
	b := append(c.buf[:0], tagEntry)
	b = append(b, c.last[:]...)
	b = appendRecord(b, c.org, r)
	c.buf = b
	c.last = sha256.Sum256(b)
	return c.last
}

func appendRecord(b []byte, org uuid.UUID, r *Row) []byte {
	b = append(b, recordVersion)
	b = append(b, org[:]...)
	b = appendInt(b, r.Sequence)
	b = append(b, r.ID[:]...)
	b = append(b, r.Unit[:]...)
	b = appendText(b, r.Shop)
	b = append(b, byte(r.Kind))
	b = appendInstant(b, r.Occurred)
	b = appendInstant(b, r.Recorded)
	b = appendFlag(b, r.Corrects != uuid.Nil)
	if r.Corrects != uuid.Nil {
		b = append(b, r.Corrects[:]...)
	}
	b = appendText(b, r.Recorder)
	b = binary.BigEndian.AppendUint32(b, uint32(len(r.Body)))
	return append(b, r.Body...)
}

// Verifier checks an org's ledger, row by row from the first, in constant memory.
type Verifier struct {
	org      tenant.Org
	chain    *Chain
	number   int64
	recorded time.Time
}

// NewVerifier returns a verifier that has seen nothing yet.
func NewVerifier(org tenant.Org) *Verifier {
	return &Verifier{org: org, chain: NewChain(org, Head{})}
}

// Next checks the row that follows the ones before. The error is DataLoss, LEDGER_DAMAGED, and names the row.
func (v *Verifier) Next(r *Row) error {
	want := v.number + 1
	switch {
	case r.Sequence != want:
		return v.damaged(want, r, fmt.Sprintf("entry %d follows entry %d", r.Sequence, v.number))
	case v.chain.Next(r) != r.Digest:
		return v.damaged(want, r, "its digest does not fit what the ledger holds of it and the digest before")
	case r.Recorded.Before(v.recorded):
		return v.damaged(want, r, "it was recorded before the entry before it")
	}
	e, err := ParseBody(r.Body)
	switch {
	case err != nil:
		return v.damaged(want, r, err.Error())
	case e.Kind() != r.Kind, !e.Occurred.Equal(r.Occurred), corrects(&e.Detail) != r.Corrects, orderOf(&e.Detail) != r.Order, e.Shop != "" && e.Shop != r.Shop:
		return v.damaged(want, r, "its columns differ from its content")
	}
	v.number, v.recorded = want, r.Recorded
	return nil
}

// Done checks that the rows seen are all, by the head of the ledger as it was when they were read.
func (v *Verifier) Done(head Head) error {
	switch {
	case v.number < head.Number:
		return v.damaged(v.number+1, nil, fmt.Sprintf("the ledger ends after entry %d, and its head says %d", v.number, head.Number))
	case v.number > head.Number:
		return v.damaged(head.Number+1, nil, fmt.Sprintf("the ledger ends after entry %d, and its head says %d", v.number, head.Number))
	case head.Number > 0 && (v.chain.last != head.Digest || !v.recorded.Equal(head.Recorded)):
		return v.damaged(v.number, nil, "the head of the ledger differs from its last entry")
	}
	return nil
}

// Count returns how many rows fitted, and the digest of the last.
func (v *Verifier) Count() (int64, [32]byte) { return v.number, v.chain.last }

func (v *Verifier) damaged(sequence int64, r *Row, what string) error {
	meta := []string{"sequence", fmt.Sprint(sequence), "damage", what}
	if r != nil {
		meta = append(meta, "entry", entryName(v.org, r.Unit, r.ID), "digest", hex.EncodeToString(r.Digest[:]))
	}
	return errs.New(errs.DataLoss, "LEDGER_DAMAGED", fmt.Sprintf("the ledger is damaged at entry %d: %s", sequence, what), meta...)
}

// orderOf returns the order that an entry belongs to, or the zero UUID.
func orderOf(d *Detail) uuid.UUID {
	switch {
	case d.Order != nil:
		return d.Order.Order
	case d.Service != nil:
		return d.Service.Order
	case d.Test != nil:
		return d.Test.Order
	}
	return uuid.Nil
}

// corrects returns the entry that an amendment corrects, or the zero UUID.
func corrects(d *Detail) uuid.UUID {
	if d.Amendment == nil {
		return uuid.Nil
	}
	return d.Amendment.Corrects
}
