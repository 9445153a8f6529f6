package compliancerpc

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// beginningVoid is after how long a return that was begun, and of which nothing is recorded, is no longer under way anywhere.
const beginningVoid = time.Hour

// ReturnUnits takes units back. First it is written down that they come back, and when; then their entries are recorded in the ledger, which takes
// the same ones once; then the allocations end. After a failure anywhere in between, a repeat goes on where it was.
func (s *Server) ReturnUnits(ctx context.Context, req *compliancepb.ReturnUnitsRequest) (*compliancepb.ReturnUnitsResponse, error) {
	org, err := resname.Org(ctx, "parent", req.GetParent())
	if err != nil {
		return nil, err
	}
	returns, choice, err := returnsOf(org, req.GetReturns())
	if err != nil {
		return nil, err
	}
	run := func(fn func(ctx context.Context) (*compliancepb.ReturnUnitsResponse, error)) (*compliancepb.ReturnUnitsResponse, error) {
		return idem.Run(ctx, s.db, org, s.clock.Now(), compliancepb.AvailabilityService_ReturnUnits_FullMethodName, req.GetRequestId(), false, req, fn)
	}
	if req.GetRequestId() != "" {
		if resp, err := run(func(context.Context) (*compliancepb.ReturnUnitsResponse, error) { return nil, errFirst }); !errors.Is(err, errFirst) {
			return resp, err
		}
	}
	begun, err := s.begin(ctx, org, returns)
	if err != nil {
		return nil, err
	}
	entries, names := returnEntries(org, returns, begun)
	if err := s.recordReturn(ctx, org, entries, begun); err != nil {
		return nil, err
	}
	resp, err := run(func(ctx context.Context) (*compliancepb.ReturnUnitsResponse, error) {
		now := s.clock.Now()
		all, p, err := s.store.FinishReturn(ctx, org, returns, begun, names, ownChange(ctx, now, compliance.UnitsReturned, org, choice))
		if err != nil {
			return nil, err
		}
		out := &compliancepb.ReturnUnitsResponse{Allocations: allocationsPB(org, all), Position: positionPB(p)}
		units := make([]uuid.UUID, len(all))
		for i, a := range all {
			units[i] = a.Unit
			if begun[i].At.After(now) {
				now = begun[i].At
			}
		}
		err = s.store.Read(ctx, org, func(ctx context.Context, r *compliancepg.Reader) error {
			out.Standings, err = standings(ctx, r, org, units, now, time.Time{})
			return err
		})
		return out, err
	})
	var otherwise *compliancepg.ReturnedOtherwiseError
	if errors.As(err, &otherwise) {
		return nil, otherwise.Otherwise(org, nil)
	}
	return told(s, org, resp, err)
}

// returnsOf reads what comes back.
func returnsOf(org tenant.Org, all []*compliancepb.ReturnUnitsRequest_Return) ([]compliance.Return, compliance.AllocationChoice, error) {
	var c compliance.AllocationChoice
	out, seen := make([]compliance.Return, len(all)), map[uuid.UUID]bool{}
	for i, r := range all {
		field := fmt.Sprintf("returns[%d]", i)
		id, err := resname.Allocation(org, field+".allocation", r.GetAllocation())
		if err != nil {
			return nil, c, err
		}
		if seen[id] {
			return nil, c, errs.Field(field+".allocation", r.GetAllocation(), "comes back twice in this request; say all that there is of it at once")
		}
		if seen[id] = true; r.GetNoteOnly() && r.GetCondition() == "" {
			return nil, c, errs.Field(field+".note_only", "true", "is about a condition, and there is none; leave it out, or name the condition")
		}
		if r.GetEstimated() && r.GetDives() == 0 && r.GetRunningTime().AsDuration() == 0 && r.GetFills() == 0 {
			return nil, c, errs.Field(field+".estimated", "true", "is about dives, running time or fills, and there are none; leave it out, or say about how many there were")
		}
		out[i] = compliance.Return{
			Allocation: id, Used: due.Amount{Dives: r.GetDives(), Hours: r.GetRunningTime().AsDuration(), Fills: r.GetFills()}, Estimated: r.GetEstimated(),
			Condition: r.GetCondition(), NoteOnly: r.GetNoteOnly(), Missing: r.GetMissingParts(), Note: r.GetNote(),
		}
		if out[i].Digest, err = idem.Digest(r); err != nil {
			return nil, c, err
		}
		c.IDs = append(c.IDs, id)
	}
	return out, c, nil
}

// begin writes down that units come back. Their instant is that of the earlier of this service's clock and history's, which takes nothing from its
// future; without entries nobody is asked.
func (s *Server) begin(ctx context.Context, org tenant.Org, returns []compliance.Return) ([]compliance.ReturnBegun, error) {
	var seen compliance.Sight
	for i := range returns {
		if returns[i].Records() {
			var err error
			if seen, err = s.applier.SeeHistory(ctx, org); err != nil {
				return nil, notTaken(ctx, err)
			}
			s.seeFittings(ctx, org)
			break
		}
	}
	for try := 0; ; try++ {
		now := s.clock.Now()
		begun, err := s.store.BeginReturn(ctx, org, returns, seen.Recorded(now), now, subject(ctx))
		var otherwise *compliancepg.ReturnedOtherwiseError
		if !errors.As(err, &otherwise) {
			return begun, err
		}
		found, err := s.foundOf(ctx, org, otherwise.Allocation)
		if err != nil {
			return nil, err
		}
		if try > 0 || len(found) > 0 || otherwise.Allocation.State != compliance.Out || now.Sub(otherwise.At) < beginningVoid {
			return nil, otherwise.Otherwise(org, found)
		}
		// Whoever began it is long gone, and nothing came of it.
		if err := s.store.ForgetReturn(ctx, org, []compliance.ReturnBegun{{Allocation: otherwise.Allocation, At: otherwise.At}}); err != nil {
			return nil, err
		}
	}
}

// fittingsWithin is how long a return waits for what the registry last knew of the parts that come back; without that it goes by what was known before.
const fittingsWithin = time.Second

// seeFittings makes what the registry holds known, if it can be had soon.
func (s *Server) seeFittings(ctx context.Context, org tenant.Org) {
	ctx, cancel := context.WithTimeout(ctx, fittingsWithin)
	defer cancel()
	if err := s.applier.SeeRegistry(ctx, org); err != nil {
		s.logger.WarnContext(ctx, "units are taken back with the parts that were known of before", slog.String("org", org.ID), slog.Any("error", err))
	}
}

// foundOf returns the entries of an allocation's return that are in the ledger.
func (s *Server) foundOf(ctx context.Context, org tenant.Org, a *compliance.Allocation) (found []string, err error) {
	if len(a.Entries) > 0 {
		return a.Entries, nil
	}
	peers, err := s.asks()
	if err != nil {
		return nil, err
	}
	for _, which := range []string{compliance.UsageOfReturn, compliance.ConditionOfReturn, compliance.MissingOfReturn} {
		name := resname.EntryName(org, a.Unit, compliance.EntryOfReturn(a.ID, which))
		switch _, err := peers.History.GetEntry(ctx, &historypb.GetEntryRequest{Name: name}); status.Code(err) {
		case codes.OK:
			found = append(found, name)
		case codes.NotFound:
		default:
			return nil, notTaken(ctx, err)
		}
	}
	return found, nil
}

// returnEntry is an entry that a return makes, and which of the returns.
type returnEntry struct {
	*historypb.Entry
	of int
}

// returnEntries returns the entries of returns, and their names by allocation. They are the same whenever they are made, but for parts that were taken off meanwhile.
func returnEntries(org tenant.Org, returns []compliance.Return, begun []compliance.ReturnBegun) (all []returnEntry, names map[uuid.UUID][]string) {
	names = map[uuid.UUID][]string{}
	for i := range returns {
		r, b := &returns[i], &begun[i]
		note := r.Note
		add := func(unit uuid.UUID, which string, said ...string) *historypb.Entry {
			e := &historypb.Entry{
				Name: resname.EntryName(org, unit, compliance.EntryOfReturn(b.ID, which)), Shop: resname.ShopName(org, b.Shop), OccurredTime: timestamppb.New(b.At),
			}
			if note != "" && unit == b.Unit {
				said = append(said, strings.TrimRight(note, ". ")+".")
				note = "" // it is told once
			}
			e.Note = strings.Join(append(said, "Returned by "+b.By+"."), " ")
			all, names[b.ID] = append(all, returnEntry{e, i}), append(names[b.ID], e.GetName())
			return e
		}
		if r.Condition != "" {
			severity := historypb.Condition_SEVERITY_PULL
			if r.NoteOnly {
				severity = historypb.Condition_SEVERITY_NOTE
			}
			add(b.Unit, compliance.ConditionOfReturn).Detail = &historypb.Entry_Condition{Condition: &historypb.Condition{Condition: r.Condition, Severity: severity}}
		}
		if len(r.Missing) > 0 {
			add(b.Unit, compliance.MissingOfReturn, "Missing: "+strings.Join(r.Missing, ", ")+".").Detail = &historypb.Entry_Condition{Condition: &historypb.Condition{
				Condition: compliance.MissingOfReturn, Severity: historypb.Condition_SEVERITY_PULL,
			}}
		}
		if r.Used == (due.Amount{}) {
			continue
		}
		used := func() *historypb.Entry_Usage {
			u := &historypb.UsageIncrement{Dives: r.Used.Dives, Fills: r.Used.Fills}
			if r.Used.Hours > 0 {
				u.RunningTime = durationpb.New(r.Used.Hours)
			}
			reference := b.Reference
			if reference == "" {
				reference = "allocations/" + b.ID.String()
			}
			return &historypb.Entry_Usage{Usage: &historypb.Usage{Amount: &historypb.Usage_Increment{Increment: u}, Reference: reference, Estimated: r.Estimated}}
		}
		add(b.Unit, compliance.UsageOfReturn).Detail = used()
		for _, part := range b.Taken {
			add(part, compliance.UsageOfReturn+" "+part.String(), "It was used as a part of what came back, and taken off before.").Detail = used()
		}
	}
	return all, names
}

// recordReturn has history take the entries, all or none, and waits until compliance has seen them.
func (s *Server) recordReturn(ctx context.Context, org tenant.Org, entries []returnEntry, begun []compliance.ReturnBegun) error {
	if len(entries) == 0 {
		return nil
	}
	peers, err := s.asks()
	if err != nil {
		return err
	}
	req := &historypb.AppendEntriesRequest{Parent: org.Name()}
	for _, e := range entries {
		req.Entries = append(req.Entries, e.Entry)
	}
	r, err := peers.History.AppendEntries(ctx, req)
	switch status.Code(err) {
	case codes.OK:
		return s.applier.CatchUp(ctx, org, compliance.Position{History: r.GetPosition().GetHistory()})
	case codes.InvalidArgument, codes.NotFound, codes.FailedPrecondition:
	default:
		return notTaken(ctx, err)
	}
	// It will never take them: what was begun just now for it was not begun, nor what was begun before and came to nothing.
	var fresh []compliance.ReturnBegun
	for _, b := range begun {
		if !b.Fresh {
			if found, ferr := s.foundOf(ctx, org, b.Allocation); ferr != nil || len(found) > 0 {
				continue
			}
		}
		fresh = append(fresh, b)
	}
	if ferr := s.store.ForgetReturn(ctx, org, fresh); ferr != nil {
		s.logger.WarnContext(ctx, "a return that history refused is still written down as begun", slog.String("org", org.ID), slog.Any("error", ferr))
	}
	return refusedBy(err, entries)
}

// refusedBy is history's refusal of entries, told of the returns that they are of.
func refusedBy(err error, entries []returnEntry) error {
	var vs []errs.Violation
	for _, d := range status.Convert(err).Details() {
		bad, ok := d.(*errdetails.BadRequest)
		if !ok {
			continue
		}
		for _, v := range bad.GetFieldViolations() {
			field := v.GetField()
			if n, _, ok := strings.Cut(strings.TrimPrefix(field, "entries["), "]"); ok {
				if k, err := strconv.Atoi(n); err == nil && k >= 0 && k < len(entries) {
					field = fmt.Sprintf("returns[%d]", entries[k].of)
				}
			}
			vs = append(vs, errs.Violation{Field: field, Description: "history refuses its entry: " + v.GetDescription(), Reason: v.GetReason()})
		}
	}
	if len(vs) == 0 {
		return err
	}
	e := errs.Fields(vs...)
	e.Message = "nothing was taken back: " + e.Message
	return e.Because(err)
}

// notTaken says that history cannot be asked, so that nothing is taken back.
func notTaken(ctx context.Context, cause error) error {
	if errors.Is(ctx.Err(), context.Canceled) {
		return errs.New(errs.Canceled, "CANCELLED", "the caller cancelled").Because(cause)
	}
	return errs.New(errs.Unavailable, "UNAVAILABLE", "history cannot record what came back, so nothing was taken back; repeat the return: what it recorded already is not recorded twice", "service", "history").Because(cause)
}
