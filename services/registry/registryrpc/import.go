package registryrpc

import (
	"context"
	"encoding/hex"
	"errors"
	"io"
	"strconv"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/anypb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/registry"
)

func num(n int64) string { return strconv.FormatInt(n, 10) }

// ImportRecords brings records in, whole or not at all.
func (s *Server) ImportRecords(stream grpc.ClientStreamingServer[registrypb.ImportRecordsRequest, registrypb.ImportRecordsResponse]) error {
	ctx := stream.Context()
	rpc.ValidateRows(ctx)
	first, err := stream.Recv()
	if errors.Is(err, io.EOF) {
		return errs.Field("header", "", "the stream is empty; the first message is the header")
	}
	if err != nil {
		return err
	}
	head := first.GetHeader()
	if head == nil {
		return errs.Field("header", "", "the first message is the header")
	}
	org, err := parent(ctx, "header.parent", head.GetParent())
	if err != nil {
		return err
	}
	sp, err := newSpool(org, s.config.SpoolDir, s.config.MaxImportBytes)
	if err != nil {
		return err
	}
	defer func() {
		if err := sp.close(); err != nil {
			s.config.Logger.WarnContext(ctx, "the temporary file of an import cannot be closed", "error", err)
		}
	}()
	for {
		m, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err
		}
		if m.GetRecord() == nil {
			return errs.Field("record", "", "message "+num(sp.count+2)+" of the stream holds no record; every message after the first holds one")
		}
		if err := mayBringIn(ctx, m.GetRecord()); err != nil {
			return err
		}
		if err := sp.add(m.GetRecord()); err != nil {
			return err
		}
	}
	resp, err := s.bringIn(ctx, org, head, sp)
	if err != nil {
		return err
	}
	return stream.SendAndClose(resp)
}

// mayBringIn refuses records whose own RPCs the caller may not call: a shop's manager brings units and fittings in, and leaves the
// chain's shops, models and technicians alone.
func mayBringIn(ctx context.Context, r *registrypb.ImportRecordsRequest_Record) error {
	var what string
	switch r.GetRecord().(type) {
	case *registrypb.ImportRecordsRequest_Record_Shop:
		what = "shops"
	case *registrypb.ImportRecordsRequest_Record_Model:
		what = "models"
	case *registrypb.ImportRecordsRequest_Record_Technician:
		what = "technicians"
	default:
		return nil
	}
	who, _ := tenant.FromContext(ctx)
	if auth.Allows(who.Role, authpb.Permission_PERMISSION_CHAIN_WRITE) {
		return nil
	}
	return errs.New(errs.Denied, "PERMISSION_MISSING", "row "+num(r.GetRow())+": the role "+who.Role+" may not bring in "+what+"; a chain manager may",
		"row", num(r.GetRow()), "role", who.Role, "records", what)
}

func (s *Server) bringIn(ctx context.Context, org tenant.Org, head *registrypb.ImportRecordsRequest_Header, sp *spool) (*registrypb.ImportRecordsResponse, error) {
	now := s.config.Clock.Now()
	dry := head.GetValidateOnly()
	// What makes two imports the same request is what they bring; the stream itself is no message.
	req := &anypb.Any{TypeUrl: "sha256/" + hex.EncodeToString(sp.digest.Sum(nil)), Value: []byte(num(sp.count))}
	var rejected *registrypb.ImportRecordsResponse
	resp, err := idem.Run(ctx, s.config.DB, org, now, "ImportRecords", head.GetRequestId(), dry, req, func(ctx context.Context) (*registrypb.ImportRecordsResponse, error) {
		rejected = nil
		out, err := s.cases.Import(ctx, org, now, sp)
		if errors.Is(err, registry.ErrRejected) {
			rejected = outcome(out, true)
		}
		return outcome(out, dry), err
	})
	switch {
	case errors.Is(err, registry.ErrRejected) && rejected != nil:
		return rejected, nil
	case err != nil:
		return nil, err
	}
	if !dry {
		s.feed.Moved(org)
	}
	return resp, nil
}

func outcome(out registry.Outcome, unwritten bool) *registrypb.ImportRecordsResponse {
	resp := &registrypb.ImportRecordsResponse{
		Created: out.Created, Unchanged: out.Unchanged, ProblemCount: out.Count, Position: position(unwritten, out.Position),
	}
	for _, p := range out.Problems {
		resp.Problems = append(resp.Problems, &registrypb.ImportProblem{
			Row: p.Row, Field: p.Field, Value: p.Value, Description: p.Description, Reason: p.Reason,
		})
	}
	return resp
}

// record converts one record. Bad says that it breaks a rule of the proto. What is wrong with it goes into its problems;
// an error is a fault of the service.
func record(org tenant.Org, rec *registrypb.ImportRecordsRequest_Record, bad bool) (registry.Record, error) {
	out := registry.Record{Row: rec.GetRow()}
	var f faults
	other := convertRecord(org, &f, rec, &out)
	if bad { // says it all; what the conversion found is the same seen twice
		vs, err := rpc.Violations(rec)
		if err != nil {
			return out, err
		}
		f, other = vs, nil
	}
	for _, v := range f {
		if v.Reason == "" {
			v.Reason = "INVALID_FIELD"
		}
		out.Problems = append(out.Problems, registry.Problem{Violation: v, Kind: errs.Invalid})
	}
	if e := errs.As(other); e != nil {
		out.Problems = append(out.Problems, registry.Problem{
			Violation: errs.Violation{Field: e.Meta["field"], Description: e.Message, Reason: e.Reason}, Kind: e.Kind,
		})
	} else if other != nil {
		return out, other
	}
	return out, nil
}

func convertRecord(org tenant.Org, f *faults, rec *registrypb.ImportRecordsRequest_Record, out *registry.Record) error {
	named := func(field, name, collection string) (string, error) {
		id, err := part(org, field, name, collection)
		return id, f.keep(err)
	}
	switch r := rec.GetRecord().(type) {
	case *registrypb.ImportRecordsRequest_Record_Shop:
		id, err := named("shop.name", r.Shop.GetName(), "shops")
		s := shopOf(id, r.Shop)
		out.Shop = &s
		return err
	case *registrypb.ImportRecordsRequest_Record_Model:
		id, err := named("model.name", r.Model.GetName(), "models")
		m := modelOf(id, r.Model)
		out.Model = &m
		return err
	case *registrypb.ImportRecordsRequest_Record_Technician:
		id, err := named("technician.name", r.Technician.GetName(), "technicians")
		t := technicianOf(f, id, "technician.", r.Technician)
		out.Technician = &t
		return err
	case *registrypb.ImportRecordsRequest_Record_Unit:
		u, err := unitOf(org, f, "unit.", r.Unit, edits{all: true})
		out.Unit = &u
		if err == nil && r.Unit.GetName() != "" {
			u.ID, err = resname.Unit(org, "unit.name", r.Unit.GetName())
			err = f.keep(err)
		}
		return err
	case *registrypb.ImportRecordsRequest_Record_Fitting:
		x := r.Fitting
		out.Fitting = &registry.FittingByTag{
			Part: x.GetPartTag(), Host: x.GetHostTag(), Place: x.GetPlace(),
			From: f.instant("fitting.fit_time", x.GetFitTime()), To: f.instant("fitting.unfit_time", x.GetUnfitTime()),
		}
	}
	return nil
}
