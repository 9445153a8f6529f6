package compliancerpc

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/page"
	"strandline.example/strandline/internal/rpc"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// lasting replaces the rig's client by one whose token lasts for years: the clock is moved over months.
func (r *rig) lasting() {
	r.t.Helper()
	token, err := r.key.Mint(auth.Claims{Subject: "test:manager", Role: auth.RoleChainManager, Org: "reef", Issued: now, Expires: now.AddDate(5, 0, 0)})
	if err != nil {
		r.t.Fatal(err)
	}
	conn, err := r.public.InProcess(grpc.WithPerRPCCredentials(rpc.BearerToken(token)))
	if err != nil {
		r.t.Fatal(err)
	}
	r.t.Cleanup(func() { _ = conn.Close() })
	r.compliance = compliancepb.NewComplianceServiceClient(conn)
}

// notices returns every notice after a number, in pages of two.
func (r *rig) notices(after int64) (out []*compliancepb.Notice) {
	r.t.Helper()
	req := &compliancepb.ListNoticesRequest{Parent: r.org, PageSize: 2, After: after}
	for {
		resp, err := r.compliance.ListNotices(r.t.Context(), req)
		if err != nil {
			r.t.Fatal(err)
		}
		out = append(out, resp.GetNotices()...)
		if req.PageToken = resp.GetNextPageToken(); req.GetPageToken() == "" {
			return out
		}
	}
}

// brief writes a notice as number, tag, day, and the sentence after the tag.
func brief(n *compliancepb.Notice) string {
	d := n.GetEffectiveDate()
	_, says, _ := strings.Cut(n.GetSentence(), ": ")
	return fmt.Sprintf("%d %s %04d-%02d-%02d %s", n.GetNumber(), n.GetAssetTag(), d.GetYear(), d.GetMonth(), d.GetDay(), says)
}

func briefs(all []*compliancepb.Notice) (out []string) {
	for _, n := range all {
		out = append(out, brief(n))
	}
	return out
}

func (r *rig) want(after int64, want ...string) {
	r.t.Helper()
	got := r.notices(after)
	if !slices.Equal(briefs(got), want) {
		r.t.Fatalf("notices after %d:\n%s\nwant\n%s", after, strings.Join(briefs(got), "\n"), strings.Join(want, "\n"))
	}
	for _, n := range got {
		if n.GetNoticeTime().AsTime().Before(n.GetEffectiveTime().AsTime()) {
			r.t.Errorf("%v was written before it took effect", n)
		}
	}
}

// TestNotices follows a regulator through a year: what time does, and what data do, each told once, whenever somebody looks.
func TestNotices(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.catalogue("regulator-set", "bcd")
	r.publish("house", housePack)
	reg := r.unit("regulator-set", "R-1", "north")
	r.want(0) // the first look is silent
	r.clock.Set(now.Add(2 * time.Hour))
	r.record(reg, now, dives(95))
	r.want(0, "1 R-1 2026-06-01 Overhaul every 100 dives or 12 months is due soon; 5 dives left.")
	r.clock.Set(now.AddDate(0, 0, 1))
	last := r.record(reg, now.AddDate(0, 0, 1), dives(6))
	r.want(1, "2 R-1 2026-06-02 Overhaul every 100 dives or 12 months is overdue; more was used than its limit allows.")
	// It was logged for the wrong unit, and that is put right; then it is served, and the entry comes late.
	r.clock.Set(now.AddDate(0, 0, 2))
	r.record(reg, now.AddDate(0, 0, 2), func(e *historypb.Entry) {
		e.Detail = &historypb.Entry_Amendment{Amendment: &historypb.Amendment{CorrectedEntry: last, Reason: "another unit"}}
	})
	r.want(2, "3 R-1 2026-06-03 Overhaul every 100 dives or 12 months is due soon; 5 dives left.")
	r.clock.Set(now.AddDate(0, 0, 9))
	r.record(reg, now.AddDate(0, 0, 3), test("overhaul", historypb.Outcome_OUTCOME_PASS))
	r.want(3, "4 R-1 2026-06-10 Overhaul every 100 dives or 12 months is fine again; last day of use 4 June 2027.")
	// A new revision with half the interval: nothing is due, so nothing is told, until time makes it so. Nobody looks for a year.
	r.publish("house", strings.ReplaceAll(housePack, "limit: {months: 12, dives: 100}", "limit: {months: 6, dives: 100}"))
	r.want(4)
	r.clock.Set(now.AddDate(1, 0, 0))
	r.want(4,
		"5 R-1 2026-11-04 Overhaul every 100 dives or 12 months is due soon; last day of use 4 December 2026.",
		"6 R-1 2026-12-04 Overhaul every 100 dives or 12 months is due; this is the last day of use.",
		"7 R-1 2026-12-05 Overhaul every 100 dives or 12 months is overdue; the last day of use was 4 December 2026.")
	got := r.notices(4)
	if n := got[2]; n.GetEffectiveTime().AsTime() != time.Date(2026, 12, 5, 0, 0, 0, 0, time.UTC) || !n.GetBlocking() || n.GetUnit() != reg ||
		n.GetFromState() != compliancepb.Clock_STATE_DUE || n.GetToState() != compliancepb.Clock_STATE_OVERDUE || n.GetKind() != "regulator-set" ||
		n.GetShop() != r.org+"/shops/north" || n.GetRule() != r.org+"/rulePacks/house/rules/regulator" || n.GetDueDate().GetDay() != 4 ||
		n.GetNoticeTime().AsTime() != now.AddDate(1, 0, 0) {
		t.Errorf("%v", n)
	}
	if got[0].GetBlocking() || got[1].GetBlocking() {
		t.Errorf("the last day of use blocks: %v", got)
	}
	// Only one shop's.
	if resp, err := r.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: r.org, Shop: r.org + "/shops/south"}); err != nil || len(resp.GetNotices()) != 0 {
		t.Errorf("%v, %v", resp, err)
	}
	// A waiver stops it from blocking, which is told; and so is that it ends.
	if _, err := r.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: reg, RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: r.org + "/rulePacks/house/rules/regulator", Reason: "parts are late", Signer: "A. Signer",
		StartDate: &date.Date{Year: 2027, Month: 6, Day: 1}, EndDate: &date.Date{Year: 2027, Month: 6, Day: 10},
	}}); err != nil {
		t.Fatal(err)
	}
	r.want(7, "8 R-1 2027-06-01 Overhaul every 100 dives or 12 months is overdue, and is excused for now.")
	r.clock.Set(now.AddDate(1, 0, 20))
	r.want(8, "9 R-1 2027-06-11 Overhaul every 100 dives or 12 months is not excused any more: it is overdue, and the unit is blocked.")
	r.record(reg, now.AddDate(1, 0, 20), test("overhaul", historypb.Outcome_OUTCOME_CONDEMNED))
	r.want(9, "10 R-1 2027-06-21 Overhaul every 100 dives or 12 months does not apply to the unit any more.")
	r.clock.Set(now.AddDate(4, 0, 0))
	r.want(10)
}

// TestNoticesOfATransfer moves a unit over the date line on the last day of use, and retires it.
func TestNoticesOfATransfer(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.catalogue("bcd")
	r.publish("house", housePack)
	unit := r.unit("bcd", "B-1", "south") // due on 1 January 2027
	r.want(0)
	r.clock.Set(time.Date(2027, 1, 1, 12, 0, 0, 0, time.UTC)) // 2 January in Auckland
	r.want(0,
		"1 B-1 2026-12-02 Inspection is due soon; last day of use 1 January 2027.",
		"2 B-1 2027-01-01 Inspection is due; this is the last day of use.",
		"3 B-1 2027-01-02 Inspection is overdue; the last day of use was 1 January 2027.")
	move := func(retired bool, to ...string) {
		u := &registrypb.Unit{Name: unit, AssetTag: "B-1", Model: r.org + "/models/bcd", Kind: "bcd", Shop: r.org + "/shops/" + to[len(to)-1], CommissionDate: &date.Date{Year: 2026, Month: 1, Day: 1}}
		for i, s := range to {
			u.Placements = append(u.Placements, &registrypb.Placement{Shop: r.org + "/shops/" + s, StartTime: timestamppb.New(r.clock.Now().Add(time.Duration(i-len(to)) * time.Minute))})
		}
		if retired {
			u.RetireTime = timestamppb.New(r.clock.Now())
		}
		r.register(&feedpb.Change{Resource: &feedpb.Change_Unit{Unit: u}})
	}
	move(false, "south", "north")
	r.want(3, "4 B-1 2027-01-01 Inspection is due; this is the last day of use.")
	r.clock.Advance(13 * time.Hour)
	r.want(4, "5 B-1 2027-01-02 Inspection is overdue; the last day of use was 1 January 2027.")
	if got := r.notices(4)[0]; got.GetShop() != r.org+"/shops/north" || !got.GetEffectiveTime().AsTime().Equal(time.Date(2027, 1, 2, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("%v", got)
	}
	move(true, "south", "north")
	r.want(5, "6 B-1 2027-01-02 Inspection does not apply to the unit any more.")
	r.clock.Advance(10000 * time.Hour)
	r.want(6)
}

// TestNewUnitsAndRules has rules begin and end with revisions, and a unit that comes later.
func TestNewUnitsAndRules(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.catalogue("bcd", "regulator-set")
	r.publish("house", housePack)
	r.unit("bcd", "B-1", "north")
	r.want(0)
	r.clock.Set(now.AddDate(0, 0, 1))
	r.unit("regulator-set", "R-9", "north") // silent for an hour
	r.want(0)
	second := strings.ReplaceAll(housePack, "{year: 2020, month: 1, day: 1}", "{year: 2026, month: 6, day: 20}")
	lines := strings.Split(strings.TrimSpace(second), "\n")
	r.publish("house", strings.Join(lines[:len(lines)-1], "\n")) // without the rule for BCDs, from 20 June on
	r.clock.Set(now.AddDate(0, 1, 0))
	r.want(0, "1 B-1 2026-06-20 Inspection does not apply to the unit any more.")
	r.publish("more", strings.Replace(lines[len(lines)-1], "  - {id: bcd, title: Inspection", "title: More\neffectiveDate: {year: 2020, month: 1, day: 1}\nrules:\n  - {id: other, title: Other inspection", 1))
	r.want(1, "2 B-1 2026-07-01 Other inspection applies to the unit from now on; last day of use 1 January 2027.")
}

// TestFollowNotices follows from the beginning and from the middle, beside a second server on the same database that writes too: every
// stream has every number once. It ends with the caller.
func TestFollowNotices(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.server.poll = 5 * time.Millisecond
	r.catalogue("regulator-set")
	r.publish("house", housePack)
	units := make([]string, 150) // more than a page of the stream
	for i := range units {
		units[i] = r.unit("regulator-set", fmt.Sprintf("R-%03d", i), []string{"north", "south"}[i%2])
	}
	r.want(0)
	r.clock.Set(now.AddDate(0, 6, 5))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	const total = 150 + 150 + 150
	var g errgroup.Group
	first := make(chan struct{})
	var received sync.WaitGroup
	for i, req := range []*compliancepb.FollowNoticesRequest{
		{Parent: r.org}, {Parent: r.org, After: 77}, {Parent: r.org, Shop: r.org + "/shops/south"}, {Parent: r.org, After: total - 1},
	} {
		stream, err := r.compliance.FollowNotices(ctx, req)
		if err != nil {
			t.Fatal(err)
		}
		received.Add(1)
		g.Go(func() error {
			done := sync.OnceFunc(received.Done)
			defer done()
			want := total - int(req.GetAfter())
			if req.GetShop() != "" {
				want /= 2
			}
			last := req.GetAfter()
			for n := range want {
				m, err := stream.Recv()
				if err != nil {
					return fmt.Errorf("stream %d after %d: %w", i, last, err)
				}
				got := m.GetNotice()
				if req.GetShop() == "" && got.GetNumber() != last+1 || got.GetNumber() <= last || req.GetShop() != "" && got.GetShop() != req.GetShop() {
					return fmt.Errorf("stream %d: %v follows %d", i, got, last)
				}
				last = got.GetNumber()
				if i == 0 && n == 149 {
					close(first)
				}
			}
			done()
			cancelled, err := stream.Recv()
			if status.Code(err) != codes.Canceled && !errors.Is(err, io.EOF) {
				return fmt.Errorf("stream %d goes on with %v, %w", i, cancelled, err)
			}
			return nil
		})
	}
	<-first // all are due soon; then another server tells that they are due, and this one that they are overdue
	second := New(Config{DB: r.data.Open(t, compliancepg.Schema), Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history})
	r.clock.Set(time.Date(2027, 1, 1, 10, 0, 0, 0, time.UTC))
	if err := second.notifier.Look(t.Context(), tenant.Must("reef")); err != nil {
		t.Fatal(err)
	}
	r.clock.Set(now.AddDate(2, 0, 0))
	if got := r.notices(0); len(got) != total {
		t.Fatalf("%d notices", len(got))
	}
	timeout := time.AfterFunc(20*time.Second, cancel)
	defer timeout.Stop()
	received.Wait()
	time.AfterFunc(20*r.server.poll, cancel) // time for what should not come
	if err := g.Wait(); err != nil {
		t.Error(err)
	}
}

// TestRunTells lets two servers run on one database while a fake clock moves over months and both changes of clocks: everything is told
// once, without anybody asking.
func TestRunTells(t *testing.T) {
	t.Parallel()
	looked := make(chan compliance.Told, 10000)
	follow := compliance.FollowConfig{Retry: 2 * time.Millisecond, Sweep: 10 * time.Millisecond}
	r := newRig(t, follow)
	r.lasting()
	r.catalogue("bcd")
	r.publish("house", housePack)
	for i := range 10 {
		r.unit("bcd", fmt.Sprintf("B-%d", i), []string{"north", "south"}[i%2])
	}
	r.want(0)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var g errgroup.Group
	for range 2 {
		s := New(Config{DB: r.data.Open(t, compliancepg.Schema), Clock: r.clock, Pages: page.NewSigner([]byte("test")), Registry: r.registry, History: r.history, Follow: follow,
			Looked: func(_ tenant.Org, told compliance.Told, err error) {
				if err != nil && ctx.Err() == nil {
					t.Error(err)
				}
				select {
				case looked <- told:
				default:
				}
			}})
		g.Go(func() error { return s.Run(ctx) })
	}
	r.clock.Set(time.Date(2027, 4, 1, 12, 0, 0, 0, time.UTC))
	notices, digests := 0, 0
	timeout := time.NewTimer(30 * time.Second)
	defer timeout.Stop()
	for notices < 30 || digests < 2*303 {
		select {
		case told := <-looked:
			notices, digests = notices+told.Notices, digests+told.Digests
		case <-timeout.C:
			t.Fatalf("%d notices and %d digests were told", notices, digests)
		}
	}
	cancel()
	if err := g.Wait(); err != nil {
		t.Error(err)
	}
	if got := r.notices(0); len(got) != 30 || notices != 30 {
		t.Errorf("%d notices, of which the servers told %d", len(got), notices)
	}
}

// TestNoticesRefuses checks what is refused, and how.
func TestNoticesRefuses(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.catalogue("bcd")
	r.publish("house", housePack)
	r.want(0)
	_, err := r.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: r.org, PageToken: "AAAA"})
	wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	_, err = r.compliance.ListDigests(t.Context(), &compliancepb.ListDigestsRequest{Parent: r.org + "/shops/-", PageToken: "AAAA"})
	wantReason(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID")
	_, err = r.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: "orgs/other"})
	wantReason(t, err, codes.PermissionDenied, "ORG_MISMATCH")
	_, err = r.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: r.org + "/shops/north"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
	_, err = r.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: r.org + "/shops/north", Date: &date.Date{Year: 2026, Month: 2, Day: 30}})
	wantReason(t, err, codes.InvalidArgument, "INVALID_FIELD")
	// Where a feed cannot be read, what was told is answered still.
	r.history.fault(func(f *fakeFeed) { f.down = true })
	if resp, err := r.compliance.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: r.org}); err != nil || len(resp.GetNotices()) > 0 {
		t.Errorf("%v, %v", resp, err)
	}
	r.history.fault(func(f *fakeFeed) { f.down = false })
	// An org that nobody knows is not looked at.
	stranger := compliancepb.NewComplianceServiceClient(r.conn(auth.RoleChainManager, "stranger"))
	_, err = stranger.ListNotices(t.Context(), &compliancepb.ListNoticesRequest{Parent: "orgs/stranger"})
	wantReason(t, err, codes.NotFound, "NOT_FOUND")
}

// TestDigests has an outage of ten days over the change of clocks at both shops, and one day on which nobody was there at 06:00: each
// day's digest is made once, in order, with the notices since the one before.
func TestDigests(t *testing.T) {
	inTurn(t)
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.catalogue("bcd")
	r.publish("house", housePack)
	for id, zone := range map[string]string{"ny": "America/New_York", "howe": "Australia/Lord_Howe", "london": "Europe/London"} {
		r.register(&feedpb.Change{Resource: &feedpb.Change_Shop{Shop: &registrypb.Shop{Name: r.org + "/shops/" + id, DisplayName: id, TimeZone: zone}}})
	}
	for _, shop := range []string{"ny", "howe", "london"} {
		r.unit("bcd", "B-"+shop, shop) // due on 1 January 2027, due soon from 2 December 2026
	}
	r.want(0)
	r.clock.Set(time.Date(2027, 3, 5, 0, 0, 0, 0, time.UTC))
	r.notices(0)
	r.clock.Set(time.Date(2027, 4, 8, 12, 0, 0, 0, time.UTC)) // New York changed on 14 March, London on 28 March, Lord Howe on 4 April
	for shop, zone := range map[string]string{"ny": "America/New_York", "howe": "Australia/Lord_Howe", "london": "Europe/London"} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		req := &compliancepb.ListDigestsRequest{Parent: r.org + "/shops/" + shop, PageSize: 100}
		var all []*compliancepb.Digest
		for {
			resp, err := r.compliance.ListDigests(t.Context(), req)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, resp.GetDigests()...)
			if req.PageToken = resp.GetNextPageToken(); req.GetPageToken() == "" {
				break
			}
		}
		at := r.clock.Now().In(loc)
		first := now.In(loc)
		day := time.Date(at.Year(), at.Month(), at.Day()-1, 12, 0, 0, 0, time.UTC)
		told := 0
		for i, d := range all {
			if g := d.GetDate(); int(g.GetYear()) != day.Year() || time.Month(g.GetMonth()) != day.Month() || int(g.GetDay()) != day.Day() {
				t.Fatalf("%s: digest %d is of %v, want %v", shop, i, g, day.Format(time.DateOnly))
			}
			if local := d.GetDigestTime().AsTime().In(loc); local.Format("15:04:05") != "06:00:00" || local.Format(time.DateOnly) != day.AddDate(0, 0, 1).Format(time.DateOnly) {
				t.Fatalf("%s: the digest of %v is made at %v", shop, d.GetDate(), local)
			}
			one, err := r.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: d.GetShop(), Date: d.GetDate()})
			if err != nil {
				t.Fatal(err)
			}
			for _, n := range one.GetDigest().GetNotices() {
				if n.GetShop() != d.GetShop() || !n.GetEffectiveTime().AsTime().Before(d.GetDigestTime().AsTime()) {
					t.Errorf("%s: the digest of %v has %v", shop, d.GetDate(), n)
				}
				told++
			}
			one.Digest.Notices = nil
			if !proto.Equal(one.GetDigest(), d) {
				t.Errorf("%v is listed as %v", one.GetDigest(), d)
			}
			if i == 0 && (d.GetBlockingCount() != 1 || d.GetDueSoonCount() != 0 || len(d.GetLines()) != 2) {
				t.Errorf("%v", d)
			}
			day = day.AddDate(0, 0, -1)
		}
		if day.AddDate(0, 0, 1).Format(time.DateOnly) != first.Format(time.DateOnly) || told != 3 {
			t.Errorf("%s: the first digest is of %v, with %d notices in all", shop, day.AddDate(0, 0, 1), told)
		}
	}
	latest, err := r.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: r.org + "/shops/ny"})
	if err != nil || latest.GetDigest().GetDate().GetDay() != 7 {
		t.Errorf("%v, %v", latest, err)
	}
	// Every shop's, the latest first.
	resp, err := r.compliance.ListDigests(t.Context(), &compliancepb.ListDigestsRequest{Parent: r.org + "/shops/-", PageSize: 20})
	if err != nil || len(resp.GetDigests()) != 20 || resp.GetNextPageToken() == "" {
		t.Fatalf("%v, %v", resp, err)
	}
	for i, d := range resp.GetDigests()[1:] {
		if d.GetDigestTime().AsTime().After(resp.GetDigests()[i].GetDigestTime().AsTime()) {
			t.Errorf("%v follows %v", d, resp.GetDigests()[i])
		}
	}
}
