package history

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"syscall"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
)

// spool is a file of rows that wait. Nobody else can open it, and it is gone when the process is.
//
//	record = u32 length of the rest | i64 row of the client's file | uuid entry | uuid unit | u8 kind | i64 occurred | uuid corrected entry | text shop | body
type spool struct {
	file *os.File
	w    *bufio.Writer
	size int64
	max  int64
	buf  []byte
}

func newSpool(dir string, most int64) (*spool, error) {
	if dir != "" {
		if err := os.MkdirAll(dir, 0o700); err != nil {
			return nil, errs.New(errs.Internal, "INTERNAL", "the import cannot be kept").Because(err)
		}
	}
	f, err := os.CreateTemp(dir, "strandline-import-*")
	if err != nil {
		return nil, spoolError(err)
	}
	if err := os.Remove(f.Name()); err != nil {
		return nil, errors.Join(spoolError(err), f.Close())
	}
	return &spool{file: f, w: bufio.NewWriterSize(f, 64<<10), max: most}, nil
}

func (s *spool) close() error { return s.file.Close() }

// write adds a row and returns where it stands.
func (s *spool) write(row int64, r *Row) (at int64, err error) {
	b := append(s.buf[:0], 0, 0, 0, 0)
	b = appendInt(b, row)
	b = append(b, r.ID[:]...)
	b = append(b, r.Unit[:]...)
	b = append(b, byte(r.Kind))
	b = appendInstant(b, r.Occurred)
	b = append(b, r.Corrects[:]...)
	b = appendText(b, r.Shop)
	b = append(b, r.Body...)
	binary.BigEndian.PutUint32(b, uint32(len(b)-4))
	s.buf = b
	at = s.size
	if s.size += int64(len(b)); s.size > s.max {
		return 0, errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", fmt.Sprintf("an import holds at most %d bytes of entries; split it", s.max), "limit", fmt.Sprint(s.max))
	}
	if _, err := s.w.Write(b); err != nil {
		return 0, spoolError(err)
	}
	return at, nil
}

// at returns the row that stands at an offset.
func (s *spool) at(offset int64) (*Row, error) {
	if err := s.w.Flush(); err != nil {
		return nil, spoolError(err)
	}
	_, r, err := (&spoolReader{io.NewSectionReader(s.file, offset, s.size-offset)}).next()
	if err != nil {
		return nil, spoolError(err)
	}
	return r, nil
}

// reader reads all rows from the first.
func (s *spool) reader() (*spoolReader, error) {
	if err := s.w.Flush(); err != nil {
		return nil, spoolError(err)
	}
	return &spoolReader{bufio.NewReaderSize(io.NewSectionReader(s.file, 0, s.size), 64<<10)}, nil
}

type spoolReader struct{ r io.Reader }

// next returns the next row, or io.EOF.
func (s *spoolReader) next() (row int64, _ *Row, err error) {
	var size [4]byte
	if _, err := io.ReadFull(s.r, size[:]); err != nil {
		if err == io.EOF {
			return 0, nil, io.EOF
		}
		return 0, nil, spoolError(err)
	}
	b := make([]byte, binary.BigEndian.Uint32(size[:]))
	if _, err := io.ReadFull(s.r, b); err != nil {
		return 0, nil, spoolError(err)
	}
	in := reader{rest: b}
	row = in.int()
	r := &Row{ID: in.uuid(), Unit: in.uuid(), Kind: Kind(in.byte()), Occurred: in.instant(), Corrects: in.uuid(), Shop: in.text()}
	r.Body = in.rest
	if in.err != nil || r.Kind == 0 || r.ID == uuid.Nil {
		return 0, nil, spoolError(errors.Join(errors.New("the spool does not hold what was written"), in.err))
	}
	return row, r, nil
}

func spoolError(err error) error {
	if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) {
		return errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "there is no room for the import; make room, or split it").Because(err)
	}
	return errs.New(errs.Internal, "INTERNAL", "the import cannot be kept").Because(err)
}
