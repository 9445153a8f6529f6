package pg

import (
	"errors"
	"fmt"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgtype"
)

// registerUUID lets uuid.UUID go over the wire as the sixteen bytes it is. pgx would go through text and reflection for each, which for
// arrays of ids takes longer than the statement they are for.
func registerUUID(m *pgtype.Map) {
	t := &pgtype.Type{Name: "uuid", OID: pgtype.UUIDOID, Codec: uuidCodec{}}
	m.RegisterType(t)
	m.RegisterType(&pgtype.Type{Name: "_uuid", OID: pgtype.UUIDArrayOID, Codec: &pgtype.ArrayCodec{ElementType: t}})
}

type uuidCodec struct{ pgtype.UUIDCodec }

// PlanEncode is pgtype.Codec's.
func (c uuidCodec) PlanEncode(m *pgtype.Map, oid uint32, format int16, value any) pgtype.EncodePlan {
	if _, ok := value.(uuid.UUID); ok && format == pgtype.BinaryFormatCode {
		return encodeUUID{}
	}
	return c.UUIDCodec.PlanEncode(m, oid, format, value)
}

// PlanScan is pgtype.Codec's.
func (c uuidCodec) PlanScan(m *pgtype.Map, oid uint32, format int16, target any) pgtype.ScanPlan {
	if _, ok := target.(*uuid.UUID); ok && format == pgtype.BinaryFormatCode {
		return scanUUID{}
	}
	return c.UUIDCodec.PlanScan(m, oid, format, target)
}

type encodeUUID struct{}

// Encode is pgtype.EncodePlan's.
func (encodeUUID) Encode(value any, buf []byte) ([]byte, error) {
	id, ok := value.(uuid.UUID)
	if !ok {
		return nil, fmt.Errorf("%T is no UUID", value)
	}
	return append(buf, id[:]...), nil
}

type scanUUID struct{}

// Scan is pgtype.ScanPlan's. A null is an error: a column that may be null is read into a pointer.
func (scanUUID) Scan(src []byte, target any) error {
	id, ok := target.(*uuid.UUID)
	switch {
	case !ok:
		return fmt.Errorf("%T is no UUID", target)
	case src == nil:
		return errors.New("null is no UUID")
	case len(src) != len(id):
		return fmt.Errorf("a UUID of %d bytes", len(src))
	}
	copy(id[:], src)
	return nil
}
