package main

import (
	"context"
	"errors"
	"io"
	"regexp"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// Rows of several files share one stream of a rehearsal: a row's number carries the file's place in it.
const rowBits = 40

// importStream sends records to the service they belong to and takes its answer apart by file.
type importStream struct {
	im       *importer
	dryRun   bool
	cancel   context.CancelFunc
	registry grpc.ClientStreamingClient[registrypb.ImportRecordsRequest, registrypb.ImportRecordsResponse]
	history  grpc.ClientStreamingClient[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]
	batch    []*historypb.ImportEntriesRequest_Record
	files    []*importFile
	present  int64
}

const batchRows = 500

// open starts a stream to registry or history.
func (im *importer) open(history, dryRun bool) (*importStream, error) {
	ctx, cancel := context.WithCancel(im.ctx)
	s := &importStream{im: im, dryRun: dryRun, cancel: cancel}
	parent, id := im.world.org.Name(), newID()
	var err error
	if history {
		if s.history, err = im.clients.History.ImportEntries(ctx); err == nil {
			err = s.history.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Header_{Header: &historypb.ImportEntriesRequest_Header{
				Parent: parent, RequestId: id, ValidateOnly: dryRun, PlannedUnits: im.planned(dryRun),
			}}})
		}
	} else {
		if s.registry, err = im.clients.Registry.ImportRecords(ctx); err == nil {
			err = s.registry.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Header_{Header: &registrypb.ImportRecordsRequest_Header{
				Parent: parent, RequestId: id, ValidateOnly: dryRun,
			}}})
		}
	}
	if err != nil {
		return nil, errors.Join(s.refused(err), s.abandon())
	}
	return s, nil
}

// planned lists the units that earlier files of a rehearsal would create.
func (im *importer) planned(dryRun bool) []*historypb.ImportEntriesRequest_PlannedUnit {
	if !dryRun {
		return nil
	}
	const most = 100_000 // of the API; entries of further ones are then reported as of unknown units
	var out []*historypb.ImportEntriesRequest_PlannedUnit
	for _, tag := range sortedKeys(im.world.units) {
		u := im.world.units[tag]
		if u.origin == nil || len(out) == most {
			continue
		}
		zone := im.world.shops[u.stays[0].shop].zone
		out = append(out, &historypb.ImportEntriesRequest_PlannedUnit{Name: u.name, CommissionTime: timestamppb.New(u.commissioned.Start(zone))})
	}
	return out
}

// file says that the rows from now on are of f, the nth of the stream.
func (s *importStream) file(n int, f *importFile) {
	s.files = append(s.files[:n], f)
	s.present = int64(n)
}

// send sends one record.
func (s *importStream) send(line int64, m proto.Message) error {
	row := s.present<<rowBits | line
	switch m := m.(type) {
	case *historypb.Entry:
		s.batch = append(s.batch, &historypb.ImportEntriesRequest_Record{Row: row, Entry: m})
		if len(s.batch) < batchRows {
			return nil
		}
		return s.flush()
	case *registrypb.ImportRecordsRequest_Record:
		m.Row = row
		return s.refused(s.registry.Send(&registrypb.ImportRecordsRequest{Message: &registrypb.ImportRecordsRequest_Record_{Record: m}}))
	}
	return nil
}

func (s *importStream) flush() error {
	if len(s.batch) == 0 {
		return nil
	}
	err := s.history.Send(&historypb.ImportEntriesRequest{Message: &historypb.ImportEntriesRequest_Records{Records: &historypb.ImportEntriesRequest_RecordBatch{Records: s.batch}}})
	s.batch = nil // the stream may still hold it
	return s.refused(err)
}

// refused turns the io.EOF of a stream that the server has ended into the server's reason.
func (s *importStream) refused(err error) error {
	if !errors.Is(err, io.EOF) {
		return err
	}
	if s.history != nil {
		_, err = s.history.CloseAndRecv()
	} else if s.registry != nil {
		_, err = s.registry.CloseAndRecv()
	}
	if err == nil {
		err = io.ErrUnexpectedEOF
	}
	return err
}

// abandon ends the stream without an answer: nothing of it is kept.
func (s *importStream) abandon() error {
	s.cancel()
	return nil
}

// finish ends the stream and gives every file what the server says of its rows.
func (s *importStream) finish() error {
	defer s.cancel()
	var created, unchanged, count int64 // created is first what is let pass below
	found := 0
	take := func(row int64, field, value, description, reason string) {
		found++
		if row>>rowBits != s.present {
			return // of a file before it
		}
		f := s.files[s.present]
		line := row & (1<<rowBits - 1)
		if reason == "AMENDMENT_TARGET" && s.im.local[value] {
			created++ // the row it corrects stands in this import
			return
		}
		text, remedy := splitAdvice(s.im.world.plainly(description))
		if reason == "ENTRY_ID_REUSED" {
			text, remedy = "the ledger has this row with other content", "leave the row as it was, and correct it by a row in amendments.csv"
		}
		f.report(f.located(line, field, s.im.world.plainly(value), text, remedy))
	}
	if s.history != nil {
		if err := s.flush(); err != nil {
			return err
		}
		r, err := s.history.CloseAndRecv()
		if err != nil {
			return err
		}
		for _, p := range r.GetProblems() {
			take(p.GetRow(), p.GetField(), p.GetValue(), p.GetDescription(), p.GetReason())
		}
		created, unchanged, count = created+r.GetAppended(), r.GetUnchanged(), r.GetProblemCount()
		if !s.dryRun {
			s.im.wrote(r.GetPosition())
		}
	} else {
		r, err := s.registry.CloseAndRecv()
		if err != nil {
			return err
		}
		for _, p := range r.GetProblems() {
			take(p.GetRow(), p.GetField(), p.GetValue(), p.GetDescription(), p.GetReason())
		}
		created, unchanged, count = r.GetCreated(), r.GetUnchanged(), r.GetProblemCount()
		if !s.dryRun {
			s.im.wrote(r.GetPosition())
		}
	}
	if more := count - int64(found); more > 0 {
		s.files[s.present].count += more // the server lists the first thousand
	}
	// The files before the last were sent for its sake; what became of them is known from their own turn.
	last := len(s.files) - 1
	for _, f := range s.files[:last] {
		created, unchanged = created-f.created, unchanged-f.unchanged
	}
	s.files[last].created, s.files[last].unchanged = max(created, 0), max(unchanged, 0)
	return nil
}

// wrote notes where a change stands.
func (im *importer) wrote(p *typepb.Position) {
	im.clients.wrote(p)
	later(im.reached, p)
}

// later moves a position on to another where that is further.
func later(to, p *typepb.Position) {
	to.Registry = max(to.GetRegistry(), p.GetRegistry())
	to.History = max(to.GetHistory(), p.GetHistory())
	to.Compliance = max(to.GetCompliance(), p.GetCompliance())
}

var resourceName = regexp.MustCompile(`orgs/[a-z0-9-]+/(units|models|shops|technicians)/([a-z0-9-]+)(/(?:entries|fittings)/[0-9a-f-]+)?`)

// plainly puts what people call things in place of resource names: tags and short ids.
func (w *world) plainly(text string) string {
	return resourceName.ReplaceAllStringFunc(text, func(name string) string {
		m := resourceName.FindStringSubmatch(name)
		if m[1] != "units" {
			return m[2]
		}
		if w.tags == nil {
			w.tags = map[string]string{}
			for tag, u := range w.units {
				w.tags[lastID(u.name)] = tag
			}
		}
		if tag := w.tags[m[2]]; tag != "" {
			return tag
		}
		return name
	})
}

// splitAdvice splits a description of the API into what is wrong and what to do.
func splitAdvice(text string) (wrong, remedy string) {
	for i := range text {
		if text[i] == ';' && i+1 < len(text) && text[i+1] == ' ' {
			return text[:i], text[i+2:]
		}
	}
	return text, "correct the row"
}
