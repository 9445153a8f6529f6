package historyrpc

import (
	"errors"
	"io"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/rpc"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
	"strandline.example/strandline/services/history"
)

// ImportEntries takes a stream of entries, whole or not at all. Rows that break a rule are reported with their number, be the rule
// in the proto or elsewhere; the rest of the stream is read and checked all the same.
func (s *Server) ImportEntries(stream grpc.ClientStreamingServer[historypb.ImportEntriesRequest, historypb.ImportEntriesResponse]) error {
	ctx := stream.Context()
	rpc.ValidateRows(ctx)
	first, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return errs.Field("header", "", "the stream is empty; send a header first")
	}
	if err != nil {
		return err
	}
	h := first.GetHeader()
	if h == nil {
		return errs.Field("header", "", "must be set in the first message")
	}
	org, err := resname.Org(ctx, "header.parent", h.GetParent())
	if err != nil {
		return err
	}
	o := history.ImportOptions{
		Recorder: recorder(ctx), SpoolDir: s.config.SpoolDir, MaxBytes: s.config.MaxImportBytes,
		DryRun: h.GetValidateOnly(), Planned: make(map[uuid.UUID]time.Time, len(h.GetPlannedUnits())),
	}
	for _, u := range h.GetPlannedUnits() {
		id, err := resname.Unit(org, "header.planned_units.name", u.GetName())
		if err != nil {
			return err
		}
		var start time.Time
		if t := u.GetCommissionTime(); t != nil {
			if err := t.CheckValid(); err != nil {
				return errs.Field("header.planned_units.commission_time", t.String(), "is not an instant from year 1 to 9999; give RFC 3339 UTC time")
			}
			start = t.AsTime()
		}
		o.Planned[id] = start
	}
	m, err := s.ledger.NewImport(org, o)
	if err != nil {
		return err
	}
	defer func() {
		if err := m.Close(); err != nil { // of a file that is removed already; the answer stands
			s.config.Logger.LogAttrs(ctx, slog.LevelWarn, "an import's spool did not close", slog.String("error", err.Error()))
		}
	}()
	in := newReading(org)
	for {
		msg, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err // the client went away: what it sent so far is nothing
		}
		if msg.GetRecords() == nil {
			return errs.Field("records", "", "must be set in every message after the first")
		}
		for _, r := range msg.GetRecords().GetRecords() {
			d, err := in.record(r)
			if err != nil {
				return err
			}
			if err := m.Add(ctx, r.GetRow(), d); err != nil {
				return err
			}
		}
	}
	done, err := m.Finish(ctx)
	if err != nil {
		return err
	}
	out := &historypb.ImportEntriesResponse{
		Appended: done.Appended, Unchanged: done.Unchanged, ProblemCount: done.ProblemCount,
		Position: &typepb.Position{History: done.Last},
	}
	for _, p := range done.Problems {
		out.Problems = append(out.Problems, &historypb.ImportProblem{Row: p.Row, Field: p.Field, Value: p.Value, Description: p.Description, Reason: p.Reason})
	}
	return stream.SendAndClose(out)
}

// record holds a record against the rules of its proto and reads it.
func (in *reading) record(r *historypb.ImportEntriesRequest_Record) (d history.Draft, err error) {
	if r.GetEntry() == nil {
		problem(&d, "entry", "", "must be set", "INVALID_FIELD")
		return d, nil
	}
	vs, err := rpc.Violations(r.GetEntry())
	if err != nil {
		return d, err
	}
	for _, v := range vs {
		problem(&d, v.Field, v.Value, v.Description, v.Reason)
	}
	if len(vs) == 0 {
		in.entry(r.GetEntry(), &d)
	}
	return d, nil
}
