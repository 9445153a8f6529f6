package historyrpc_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	datepb "google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

func (r *rig) lots(org string) historypb.LotServiceClient {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "person-of-" + org, Role: auth.RoleTechnician, Org: org, Issued: r.clock.Now(), Expires: r.clock.Now().Add(1000 * time.Hour)})
	if err != nil {
		r.t.Fatal(err)
	}
	return historypb.NewLotServiceClient(r.dial(r.server, rpc.BearerToken(token)))
}

// seats is a lot of seats.
func seats() *historypb.Lot {
	return &historypb.Lot{Part: "seat", Title: "Seats, hard, no. 4471", LotNumber: "B 118", Supplier: "Northbay", ExpireDate: &datepb.Date{Year: 2028, Month: 3}, Quantity: 50}
}

func creating(org, id string, l *historypb.Lot) *historypb.CreateLotRequest {
	return &historypb.CreateLotRequest{Parent: "orgs/" + org, LotId: id, Lot: l}
}

// A lot is registered once: who asks again for the same is told what stands, and who asks for something else is told what differs.
func TestCreateLot(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c, other := r.lots(orgA), r.lots(orgB)
	r.clock.Advance(1234567 * time.Nanosecond) // more than the database keeps
	want := seats()
	want.Name, want.Recorder, want.CreateTime = "orgs/"+orgA+"/lots/seats-1", "person-of-"+orgA, timestamppb.New(start.Add(1234*time.Microsecond))
	same := func(what string, got *historypb.Lot, err error) {
		t.Helper()
		if d := cmp.Diff(want, got, protocmp.Transform()); err != nil || d != "" {
			t.Errorf("%s: %v (-want +got)\n%s", what, err, d)
		}
	}
	made, err := c.CreateLot(t.Context(), creating(orgA, "seats-1", seats()))
	same("created", made.GetLot(), err)
	r.clock.Advance(time.Hour)
	again := seats()
	again.Name, again.Recorder = "orgs/"+orgA+"/lots/others", "somebody" // the service's to say
	made, err = c.CreateLot(t.Context(), creating(orgA, "seats-1", again))
	same("repeated", made.GetLot(), err)
	got, err := c.GetLot(t.Context(), &historypb.GetLotRequest{Name: want.GetName()})
	same("read", got.GetLot(), err)

	for field, change := range map[string]func(*historypb.Lot){
		"part":        func(l *historypb.Lot) { l.Part = "" },
		"title":       func(l *historypb.Lot) { l.Title = "Seats, soft" },
		"lot_number":  func(l *historypb.Lot) { l.LotNumber = "b 118" },
		"supplier":    func(l *historypb.Lot) { l.Supplier = "" },
		"expire_date": func(l *historypb.Lot) { l.ExpireDate.Day = 31 },
		"quantity":    func(l *historypb.Lot) { l.Quantity = 49 },
	} {
		l := seats()
		change(l)
		_, err := c.CreateLot(t.Context(), creating(orgA, "seats-1", l))
		st := wantError(t, err, codes.AlreadyExists, "ALREADY_EXISTS")
		if meta(st, "field") != "lot."+field || !strings.Contains(st.Message(), "lot."+field) || meta(st, "resource") != want.GetName() {
			t.Errorf("%s: %v, %s", field, st.Message(), meta(st, "field"))
		}
	}
	got, err = c.GetLot(t.Context(), &historypb.GetLotRequest{Name: want.GetName()})
	same("still", got.GetLot(), err)

	// Another org has lots of its own.
	_, err = other.GetLot(t.Context(), &historypb.GetLotRequest{Name: "orgs/" + orgB + "/lots/seats-1"})
	wantError(t, err, codes.NotFound, "NOT_FOUND")
	_, err = other.GetLot(t.Context(), &historypb.GetLotRequest{Name: want.GetName()})
	wantError(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	if made, err := other.CreateLot(t.Context(), creating(orgB, "seats-1", &historypb.Lot{Title: "Kit", ExpireDate: &datepb.Date{Year: 2027, Month: 2, Day: 28}})); err != nil || made.GetLot().GetTitle() != "Kit" || made.GetLot().GetExpireDate().GetDay() != 28 {
		t.Errorf("%v, %v", made, err)
	}
	// An auditor reads and registers nothing.
	token, err := r.key.Mint(auth.Claims{Subject: "auditor", Role: auth.RoleAuditor, Org: orgA, Issued: r.clock.Now(), Expires: r.clock.Now().Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	auditor := historypb.NewLotServiceClient(r.dial(r.server, rpc.BearerToken(token)))
	got, err = auditor.GetLot(t.Context(), &historypb.GetLotRequest{Name: want.GetName()})
	same("audited", got.GetLot(), err)
	_, err = auditor.CreateLot(t.Context(), creating(orgA, "seats-2", seats()))
	wantError(t, err, codes.PermissionDenied, "PERMISSION_MISSING")
}

func TestCreateLotRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.lots(orgA)
	with := func(f func(*historypb.CreateLotRequest)) *historypb.CreateLotRequest {
		req := creating(orgA, "seats-1", seats())
		f(req)
		return req
	}
	date := func(y, m, d int32) func(*historypb.CreateLotRequest) {
		return func(q *historypb.CreateLotRequest) { q.Lot.ExpireDate = &datepb.Date{Year: y, Month: m, Day: d} }
	}
	for i, tt := range []struct {
		field string
		req   *historypb.CreateLotRequest
	}{
		{"parent", with(func(q *historypb.CreateLotRequest) { q.Parent = "" })},
		{"lot_id", with(func(q *historypb.CreateLotRequest) { q.LotId = "Seats" })},
		{"lot_id", with(func(q *historypb.CreateLotRequest) { q.LotId = "seats-" })},
		{"lot_id", with(func(q *historypb.CreateLotRequest) { q.LotId = strings.Repeat("s", 61) })},
		{"lot", with(func(q *historypb.CreateLotRequest) { q.Lot = nil })},
		{"lot.part", with(func(q *historypb.CreateLotRequest) { q.Lot.Part = "Seat" })},
		{"lot.title", with(func(q *historypb.CreateLotRequest) { q.Lot.Title = "" })},
		{"lot.title", with(func(q *historypb.CreateLotRequest) { q.Lot.Title = "   " })},
		{"lot.title", with(func(q *historypb.CreateLotRequest) { q.Lot.Title = "Seats\n" })},
		{"lot.title", with(func(q *historypb.CreateLotRequest) { q.Lot.Title = strings.Repeat("s", 161) })},
		{"lot.lot_number", with(func(q *historypb.CreateLotRequest) { q.Lot.LotNumber = "B\u200b118" })},
		{"lot.lot_number", with(func(q *historypb.CreateLotRequest) { q.Lot.LotNumber = "B118\u00a0" })},
		{"lot.supplier", with(func(q *historypb.CreateLotRequest) { q.Lot.Supplier = " Northbay" })},
		{"lot.supplier", with(func(q *historypb.CreateLotRequest) { q.Lot.Supplier = "North\x00bay" })},
		{"lot.quantity", with(func(q *historypb.CreateLotRequest) { q.Lot.Quantity = -1 })},
		{"lot.quantity", with(func(q *historypb.CreateLotRequest) { q.Lot.Quantity = 1_000_001 })},
		{"lot.expire_date", with(date(0, 0, 0))},
		{"lot.expire_date", with(date(2028, 0, 0))},
		{"lot.expire_date", with(date(2027, 2, 29))},
		{"lot.expire_date", with(date(2028, 13, 1))},
		{"lot.expire_date", with(date(28, 3, 0))},
		{"lot.expire_date", with(date(0, 3, 1))},
	} {
		_, err := c.CreateLot(t.Context(), tt.req)
		t.Log(i, tt.field)
		wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", tt.field+" INVALID_FIELD")
	}
	if n := r.queryInt(`select count(*) from history.lots`); n != 0 {
		t.Errorf("%d lots were registered", n)
	}
	for name, want := range map[string]codes.Code{"lots/none": codes.NotFound, "lots/": codes.InvalidArgument, "lots/a/b": codes.InvalidArgument, "units/none": codes.InvalidArgument} {
		if _, err := c.GetLot(t.Context(), &historypb.GetLotRequest{Name: "orgs/" + orgA + "/" + name}); status.Code(err) != want {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Several who register a lot at once: if they say the same, all are answered alike; if not, one is the first and the others are told what differs.
func TestCreateLotAtOnce(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	c := r.lots(orgA)
	for n := range 10 {
		for _, alike := range []bool{true, false} {
			id := fmt.Sprint("lot-", n, "-", alike)
			errs := make([]error, 6)
			answers := make([]*historypb.Lot, len(errs))
			var wg sync.WaitGroup
			for i := range errs {
				wg.Go(func() {
					l := seats()
					if !alike {
						l.Quantity = int32(i)
					}
					made, err := c.CreateLot(t.Context(), creating(orgA, id, l))
					answers[i], errs[i] = made.GetLot(), err
				})
			}
			wg.Wait()
			stands, err := c.GetLot(t.Context(), &historypb.GetLotRequest{Name: "orgs/" + orgA + "/lots/" + id})
			if err != nil {
				t.Fatal(err)
			}
			made := 0
			for i := range errs {
				if errs[i] != nil {
					if alike {
						t.Errorf("%s: %v", id, errs[i])
					}
					wantError(t, errs[i], codes.AlreadyExists, "ALREADY_EXISTS")
					continue
				}
				made++
				if d := cmp.Diff(stands.GetLot(), answers[i], protocmp.Transform()); d != "" {
					t.Errorf("%s: what stands is not what was answered (-want +got)\n%s", id, d)
				}
			}
			if !alike && made != 1 {
				t.Errorf("%s: %d different ones were registered", id, made)
			}
		}
	}
}

// Lots by name, of all parts and of one, in pages of several sizes, against the same made here.
func TestListLots(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	rng := rand.New(rand.NewPCG(5, 1))
	c := r.lots(orgA)
	parts := []string{"", "seat", "seat-2", "o-ring"}
	all := map[string]string{} // part by id
	for range 70 {
		id := fmt.Sprintf("%c%d", 'a'+rng.IntN(3), rng.IntN(1000))
		if rng.IntN(2) == 0 {
			id += "-" + string(rune('a'+rng.IntN(20)))
		}
		if _, ok := all[id]; ok {
			continue
		}
		all[id] = parts[rng.IntN(len(parts))]
		l := seats()
		l.Part = all[id]
		if _, err := c.CreateLot(t.Context(), creating(orgA, id, l)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := r.lots(orgB).CreateLot(t.Context(), creating(orgB, "a-of-the-other-org", seats())); err != nil {
		t.Fatal(err)
	}
	for _, part := range append(parts, "none") {
		var want []string
		for id, p := range all {
			if part == "" || p == part {
				want = append(want, "orgs/"+orgA+"/lots/"+id)
			}
		}
		slices.Sort(want)
		for _, size := range []int32{0, 1, 7, 1000, 5000} {
			var got []string
			for req := (&historypb.ListLotsRequest{Parent: "orgs/" + orgA, Part: part, PageSize: size}); ; {
				page, err := c.ListLots(t.Context(), req)
				if err != nil {
					t.Fatal(err)
				}
				for _, l := range page.GetLots() {
					got = append(got, l.GetName())
				}
				if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
					break
				}
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("part %q, pages of %d (-want +got)\n%s", part, size, d)
			}
		}
	}
	first, err := c.ListLots(t.Context(), &historypb.ListLotsRequest{Parent: "orgs/" + orgA, PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.ListLots(t.Context(), &historypb.ListLotsRequest{Parent: "orgs/" + orgA, Part: "seat", PageToken: first.GetNextPageToken()})
	wantError(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token PAGE_TOKEN_INVALID")
	_, err = c.ListLots(t.Context(), &historypb.ListLotsRequest{Parent: "orgs/" + orgA, Part: "A seat"})
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "part INVALID_FIELD")
	_, err = c.ListLots(t.Context(), &historypb.ListLotsRequest{Parent: "orgs/" + orgA, PageSize: -1})
	wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "page_size INVALID_FIELD")
}

// writeUses writes uses of parts as the ledger would have, below the service: every third came out again.
func (r *rig) writeUses(org string, lots, units []string, n int) (all []*historypb.PartUse) {
	r.t.Helper()
	o := tenant.Must(org)
	if err := r.db.InOrg(r.t.Context(), o, func(ctx context.Context, tx pgx.Tx) error {
		for i := range n {
			order, entry := uuid.NewString(), uuid.NewString()
			u := &historypb.PartUse{
				Lot: lots[i*i%len(lots)], Unit: units[i%len(units)], Order: "orgs/" + org + "/orders/" + order, Part: "seat", Count: int32(1 + i%4),
				Entry: units[i%len(units)] + "/entries/" + entry, OccurredTime: timestamppb.New(start.Add(-time.Duration(i) * time.Hour)),
			}
			if i%3 == 2 {
				u.Count = -u.Count
			}
			if _, err := tx.Exec(ctx, `insert into part_uses (org_id, lot, sequence, unit_id, order_id, part, count, entry_id, occurred) values ($1, $2, $3, $4, $5, 'seat', $6, $7, $8)`,
				o.UUID, u.Lot[strings.LastIndex(u.Lot, "/")+1:], 2*i+1, u.Unit[strings.LastIndex(u.Unit, "/")+1:], order, u.Count, entry, u.OccurredTime.AsTime()); err != nil {
				return err
			}
			all = append(all, u)
		}
		return nil
	}); err != nil {
		r.t.Fatal(err)
	}
	return all
}

// Where parts went, of a lot and into a unit, in pages of several sizes.
func TestListPartUses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	all := map[string][]*historypb.PartUse{}
	parents := map[string][]string{}
	for _, org := range []string{orgA, orgB} {
		c := r.lots(org)
		var lots []string
		for _, id := range []string{"seats-1", "seats-2", "unused"} {
			made, err := c.CreateLot(t.Context(), creating(org, id, seats()))
			if err != nil {
				t.Fatal(err)
			}
			lots = append(lots, made.GetLot().GetName())
		}
		var units []string
		for i := range 4 {
			units = append(units, fmt.Sprintf("orgs/%s/units/00000000-0000-4000-8000-%012d", org, i)) // the same in both orgs
		}
		all[org] = r.writeUses(org, lots[:2], units[:3], 40+len(org))
		parents[org] = append(lots, units...)
	}
	for org, c := range map[string]historypb.LotServiceClient{orgA: r.lots(orgA), orgB: r.lots(orgB)} {
		for _, parent := range parents[org] {
			var want []*historypb.PartUse
			for _, u := range all[org] {
				if u.GetLot() == parent || u.GetUnit() == parent {
					want = append(want, u)
				}
			}
			if (len(want) == 0) != (strings.HasSuffix(parent, "unused") || strings.HasSuffix(parent, "3")) {
				t.Fatalf("%d uses of %s", len(want), parent)
			}
			for _, size := range []int32{0, 1, 5, 1000} {
				var got []*historypb.PartUse
				for req := (&historypb.ListPartUsesRequest{Parent: parent, PageSize: size}); ; {
					page, err := c.ListPartUses(t.Context(), req)
					if err != nil {
						t.Fatal(err)
					}
					got = append(got, page.GetUses()...)
					if req.PageToken = page.GetNextPageToken(); req.PageToken == "" {
						break
					}
				}
				if d := cmp.Diff(want, got, protocmp.Transform()); d != "" {
					t.Errorf("%s in pages of %d (-want +got)\n%s", parent, size, d)
				}
			}
		}
	}
	c := r.lots(orgA)
	base := &historypb.ListPartUsesRequest{Parent: parents[orgA][0], PageSize: 1}
	first, err := c.ListPartUses(t.Context(), base)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := proto.CloneOf(base)
	elsewhere.Parent, elsewhere.PageToken = parents[orgA][1], first.GetNextPageToken()
	_, err = c.ListPartUses(t.Context(), elsewhere)
	wantError(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token PAGE_TOKEN_INVALID")
	_, err = c.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: "orgs/" + orgA + "/lots/none"})
	st := wantError(t, err, codes.NotFound, "NOT_FOUND")
	if meta(st, "resource") != "orgs/"+orgA+"/lots/none" {
		t.Errorf("%v", st)
	}
	_, err = c.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: parents[orgB][0]})
	wantError(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	for _, parent := range []string{"orgs/" + orgA, "orgs/" + orgA + "/lots/", "orgs/" + orgA + "/shops/quay", "orgs/" + orgA + "/units/-", "orgs/" + orgA + "/units/------------------------------------"} {
		_, err := c.ListPartUses(t.Context(), &historypb.ListPartUsesRequest{Parent: parent})
		wantError(t, err, codes.InvalidArgument, "INVALID_FIELD", "parent INVALID_FIELD")
	}
}
