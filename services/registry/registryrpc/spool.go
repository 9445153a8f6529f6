package registryrpc

import (
	"bufio"
	"context"
	"crypto/sha256"
	"errors"
	"hash"
	"io"
	"os"

	"google.golang.org/protobuf/encoding/protodelim"
	"google.golang.org/protobuf/proto"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

// spool keeps the records of an import in a file until all have arrived: memory stays small, and a slow client never holds
// the org's head row.
type spool struct {
	org    tenant.Org
	file   *os.File
	out    *bufio.Writer
	digest hash.Hash
	size   int64
	max    int64
	count  int64
	bad    map[int64]struct{} // numbers of the records that break a rule of the proto
}

// newSpool opens a spool. The file has no name any more, so that it is gone with the process whatever happens.
func newSpool(org tenant.Org, dir string, limit int64) (*spool, error) {
	f, err := os.CreateTemp(dir, "strandline-import-*")
	if err != nil {
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "the import cannot be kept: no temporary file").Because(err)
	}
	if err := os.Remove(f.Name()); err != nil {
		return nil, errs.New(errs.Unavailable, "UNAVAILABLE", "the import cannot be kept: no temporary file").Because(errors.Join(err, f.Close()))
	}
	return &spool{org: org, file: f, out: bufio.NewWriterSize(f, 1<<16), digest: sha256.New(), max: limit, bad: map[int64]struct{}{}}, nil
}

func (s *spool) close() error { return s.file.Close() }

// add keeps one record.
func (s *spool) add(rec *registrypb.ImportRecordsRequest_Record) error {
	vs, err := rpc.Violations(rec)
	if err != nil {
		return err
	}
	if len(vs) > 0 {
		s.bad[s.count] = struct{}{}
	}
	s.count++
	if s.size += int64(proto.Size(rec)) + 4; s.size > s.max {
		return errs.New(errs.Exhausted, "RESOURCE_EXHAUSTED", "the import is larger than this server takes; bring it in in parts").With("maxBytes", num(s.max))
	}
	write := protodelim.MarshalOptions{MarshalOptions: proto.MarshalOptions{Deterministic: true}}
	if _, err := write.MarshalTo(io.MultiWriter(s.out, s.digest), rec); err != nil {
		return errs.New(errs.Unavailable, "UNAVAILABLE", "the import cannot be kept: the temporary file cannot be written").Because(err)
	}
	return nil
}

// Each implements registry.Records.
func (s *spool) Each(ctx context.Context, fn func(registry.Record) error) error {
	broken := errs.New(errs.Unavailable, "UNAVAILABLE", "the import cannot be read back from its temporary file")
	if err := s.out.Flush(); err != nil {
		return broken.Because(err)
	}
	in := bufio.NewReaderSize(io.NewSectionReader(s.file, 0, s.size), 1<<16)
	for i := range s.count {
		if i%1000 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		rec := &registrypb.ImportRecordsRequest_Record{}
		if err := (protodelim.UnmarshalOptions{MaxSize: -1}).UnmarshalFrom(in, rec); err != nil {
			return broken.Because(err)
		}
		_, bad := s.bad[i]
		out, err := record(s.org, rec, bad)
		if err != nil {
			return err
		}
		if err := fn(out); err != nil {
			return err
		}
	}
	return nil
}
