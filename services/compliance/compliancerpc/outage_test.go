package compliancerpc

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/rounds"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// follower is a client that keeps the number of the last notice it has received, and nothing else.
type follower struct {
	r    *rig
	last int64
	got  []*compliancepb.Notice
}

// receive connects, receives up to a number of notices, and hangs up. It ends early, without one more, if the stream breaks or nothing comes.
func (f *follower) receive(n int, wait time.Duration) error {
	ctx, cancel := context.WithCancel(f.r.t.Context())
	defer cancel()
	stream, err := f.r.compliance.FollowNotices(ctx, &compliancepb.FollowNoticesRequest{Parent: f.r.org, After: f.last})
	if err != nil {
		return err
	}
	idle := time.AfterFunc(wait, cancel)
	defer idle.Stop()
	for range n {
		m, err := stream.Recv()
		if err != nil {
			return err
		}
		idle.Reset(wait)
		f.last = m.GetNotice().GetNumber()
		f.got = append(f.got, m.GetNotice())
	}
	return nil
}

// pending returns how many notices there are after the last one received, whatever was done to the connections before.
func (f *follower) pending() int {
	f.r.t.Helper()
	var err error
	for range 20 {
		var resp *compliancepb.ListNoticesResponse
		if resp, err = f.r.compliance.ListNotices(f.r.t.Context(), &compliancepb.ListNoticesRequest{Parent: f.r.org, After: f.last, PageSize: 1000}); err == nil {
			return len(resp.GetNotices())
		}
	}
	f.r.t.Fatal(err)
	return 0
}

// TestFollowerComesBack follows notices while months go by, and hangs up after a random number of them, again and again; now and then every
// connection of the server to its database is cut under it. Going on from the last number, it has received every notice once.
func TestFollowerComesBack(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.server.poll = 2 * time.Millisecond
	r.catalogue("regulator-set")
	r.publish("house", housePack)
	units := make([]string, 60)
	for i := range units {
		units[i] = r.unit("regulator-set", fmt.Sprintf("R-%03d", i), []string{"north", "south"}[i%2])
	}
	r.want(0)
	admin, err := pgx.Connect(t.Context(), r.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(t.Context())) }()
	rng := rand.New(rand.NewPCG(rounds.Seed(t), 7))
	f := &follower{r: r}
	hung, cuts, broken := 0, 0, 0
	for range 80 {
		r.clock.Advance(time.Duration(1+rng.IntN(15*24)) * time.Hour)
		for range rng.IntN(9) { // data, too: dives of today, and services, some of them recorded late
			fill := dives(int64(5 + rng.IntN(40)))
			if rng.IntN(3) == 0 {
				fill = test("overhaul", historypb.Outcome_OUTCOME_PASS)
			}
			r.record(units[rng.IntN(len(units))], r.clock.Now().AddDate(0, 0, -rng.IntN(20)), fill)
		}
		pending := f.pending()
		if pending == 0 {
			continue
		}
		var cut sync.WaitGroup
		if rng.IntN(2) == 0 {
			cuts++
			delay := time.Duration(rng.IntN(8000)) * time.Microsecond
			cut.Go(func() {
				<-time.After(delay)
				if _, err := admin.Exec(t.Context(), `select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()`); err != nil {
					t.Error(err)
				}
			})
		}
		err := f.receive(1+rng.IntN(pending), 20*time.Second)
		cut.Wait()
		switch status.Code(err) {
		case codes.OK:
			hung++
		case codes.Unavailable, codes.Aborted:
			broken++
		default:
			t.Fatal(err)
		}
	}
	for f.pending() > 0 { // the rest
		if err := f.receive(f.pending(), 20*time.Second); err != nil && status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
	}
	want := r.notices(0)
	if got := briefs(f.got); !slices.Equal(got, briefs(want)) {
		t.Errorf("received\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(briefs(want), "\n"))
	}
	for i, n := range f.got {
		if n.GetNumber() != int64(i+1) {
			t.Fatalf("notice %d was received as number %d", n.GetNumber(), i+1)
		}
	}
	t.Logf("%d notices; hung up after some %d times; connections cut %d times, which the stream did not outlive %d times", len(want), hung, cuts, broken)
	if len(want) < 100 || hung < 5 || cuts < 5 {
		t.Errorf("only %d notices, and hung up %d times", len(want), hung)
	}
}

// byDay writes notices as day and tag and sentence, sorted: those of an instant have no order that a reader could know.
func byDay(all []*compliancepb.Notice) (out []string) {
	for _, n := range all {
		_, rest, _ := strings.Cut(brief(n), " ")
		tag, rest, _ := strings.Cut(rest, " ")
		on, says, _ := strings.Cut(rest, " ")
		out = append(out, on+" "+tag+" "+says)
	}
	slices.Sort(out)
	return out
}

// TestOutageOfFiveDays has nobody there for five days at the turn of a year, in which last days of use pass, a waiver begins, a revision of
// a pack takes effect, and people go on to record what they do. The follower that comes back receives each change once, in the order in which
// they took effect; the digest of each day is the one that it would have been, for what nobody knew before the end of the outage with that day's.
func TestOutageOfFiveDays(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	r.lasting()
	r.server.poll = 2 * time.Millisecond
	r.catalogue("bcd", "regulator-set")
	r.publish("house", housePack)
	units := map[string]string{}
	for _, tag := range []string{"B-1", "B-2", "B-3"} {
		units[tag] = r.unit("bcd", tag, "north") // due on 1 January 2027
	}
	for _, tag := range []string{"R-1", "R-2"} {
		units[tag] = r.unit("regulator-set", tag, "north")
	}
	r.want(0)
	at := func(y int, m time.Month, d, h int) time.Time { return time.Date(y, m, d, h, 0, 0, 0, time.UTC) }
	r.clock.Set(at(2026, 11, 1, 12))
	r.record(units["R-1"], r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_PASS))
	r.record(units["R-2"], r.clock.Now(), test("overhaul", historypb.Outcome_OUTCOME_PASS))
	r.record(units["R-2"], r.clock.Now().Add(time.Hour), dives(45))
	r.want(0)
	r.clock.Set(at(2026, 12, 30, 12))
	f := &follower{r: r}
	if err := f.receive(3, 10*time.Second); err != nil {
		t.Fatal(err)
	}
	if got, want := byDay(f.got), []string{
		"2026-12-02 B-1 Inspection is due soon; last day of use 1 January 2027.",
		"2026-12-02 B-2 Inspection is due soon; last day of use 1 January 2027.",
		"2026-12-02 B-3 Inspection is due soon; last day of use 1 January 2027.",
	}; !slices.Equal(got, want) {
		t.Fatalf("%s", strings.Join(got, "\n"))
	}
	if _, err := r.compliance.GrantWaiver(t.Context(), &compliancepb.GrantWaiverRequest{Parent: units["B-3"], RequestId: uuid.NewString(), Waiver: &compliancepb.Waiver{
		Rule: r.org + "/rulePacks/house/rules/bcd", Reason: "the bench is closed over the holidays", Signer: "A. Signer",
		StartDate: &date.Date{Year: 2027, Month: 1, Day: 3}, EndDate: &date.Date{Year: 2027, Month: 1, Day: 5},
	}}); err != nil {
		t.Fatal(err)
	}
	tighter := strings.NewReplacer("{year: 2020, month: 1, day: 1}", "{year: 2027, month: 1, day: 3}", "limit: {months: 12, dives: 100}", "phaseIn: {atOnce: true}, limit: {months: 12, dives: 50}")
	r.publish("house", tighter.Replace(housePack))

	// The outage: nothing asks the server, and it looks at nothing. History goes on.
	r.clock.Set(at(2026, 12, 31, 10))
	r.record(units["B-2"], r.clock.Now(), test("inspection", historypb.Outcome_OUTCOME_PASS))
	r.clock.Set(at(2026, 12, 31, 16))
	r.record(units["R-1"], r.clock.Now().AddDate(0, 0, -3), dives(100)) // late, too
	r.clock.Set(at(2027, 1, 4, 12))
	missed := []string{
		"2027-01-01 B-1 Inspection is due; this is the last day of use.",
		"2027-01-01 B-2 Inspection is due; this is the last day of use.",
		"2027-01-01 B-3 Inspection is due; this is the last day of use.",
		"2027-01-02 B-1 Inspection is overdue; the last day of use was 1 January 2027.",
		"2027-01-02 B-2 Inspection is overdue; the last day of use was 1 January 2027.",
		"2027-01-02 B-3 Inspection is overdue; the last day of use was 1 January 2027.",
		"2027-01-03 B-3 Inspection is overdue, and is excused for now.",
		"2027-01-03 R-2 Overhaul every 100 dives or 12 months is due soon; 5 dives left.",
		"2027-01-04 B-2 Inspection is fine again; last day of use 31 December 2027.",
		"2027-01-04 R-1 Overhaul every 100 dives or 12 months is overdue; more was used than its limit allows.",
	}
	if err := f.receive(len(missed), 20*time.Second); err != nil {
		t.Fatalf("%v, %v", briefs(f.got), err)
	}
	if n := f.pending(); n != 0 {
		t.Fatalf("%d more than was missed", n)
	}
	if got := byDay(f.got[3:]); !slices.Equal(got, missed) {
		t.Fatalf("after the outage:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(missed, "\n"))
	}
	var last time.Time
	for i, n := range f.got {
		if n.GetNumber() != int64(i+1) || n.GetEffectiveTime().AsTime().Before(last) {
			t.Errorf("%s is number %d of those received, after one of %v", brief(n), i+1, last)
		}
		last = n.GetEffectiveTime().AsTime()
		if i >= 3 && !n.GetNoticeTime().AsTime().Equal(r.clock.Now()) {
			t.Errorf("%s was written at %v", brief(n), n.GetNoticeTime().AsTime())
		}
	}

	// The waiver ends; then what the digests of all these days say.
	r.clock.Set(at(2027, 1, 7, 12))
	if err := f.receive(1, 20*time.Second); err != nil || f.pending() != 0 {
		t.Fatal(err, f.pending())
	}
	end := []string{"2027-01-06 B-3 Inspection is not excused any more: it is overdue, and the unit is blocked."}
	if got := byDay(f.got[3+len(missed):]); !slices.Equal(got, end) {
		t.Errorf("%v, want %v", got, end)
	}
	for _, want := range []struct {
		day           *date.Date
		made          time.Time
		notices       []string
		blocking, due int64
	}{
		{&date.Date{Year: 2026, Month: 12, Day: 29}, at(2026, 12, 30, 6), nil, 0, 3},
		{&date.Date{Year: 2026, Month: 12, Day: 30}, at(2026, 12, 31, 6), nil, 0, 3},
		{&date.Date{Year: 2026, Month: 12, Day: 31}, at(2027, 1, 1, 6), missed[:3], 0, 3},
		{&date.Date{Year: 2027, Month: 1, Day: 1}, at(2027, 1, 2, 6), missed[3:6], 0, 0},
		{&date.Date{Year: 2027, Month: 1, Day: 2}, at(2027, 1, 3, 6), missed[6:8], 3, 0},
		{&date.Date{Year: 2027, Month: 1, Day: 3}, at(2027, 1, 4, 6), nil, 2, 1},
		{&date.Date{Year: 2027, Month: 1, Day: 4}, at(2027, 1, 5, 6), missed[8:], 2, 1},
		{&date.Date{Year: 2027, Month: 1, Day: 5}, at(2027, 1, 6, 6), end, 2, 1},
		{&date.Date{Year: 2027, Month: 1, Day: 6}, at(2027, 1, 7, 6), nil, 3, 1},
	} {
		resp, err := r.compliance.GetDigest(t.Context(), &compliancepb.GetDigestRequest{Shop: r.org + "/shops/north", Date: want.day})
		if err != nil {
			t.Errorf("%v: %v", want.day, err)
			continue
		}
		d := resp.GetDigest()
		if !d.GetDigestTime().AsTime().Equal(want.made) || !slices.Equal(byDay(d.GetNotices()), want.notices) || d.GetBlockingCount() != want.blocking || d.GetDueSoonCount() != want.due {
			t.Errorf("the digest of %v, due %v: %d blocking, %d due soon, %v; want %+v", want.day, d.GetDigestTime().AsTime(), d.GetBlockingCount(), d.GetDueSoonCount(), byDay(d.GetNotices()), want)
		}
	}
	resp, err := r.compliance.ListDigests(t.Context(), &compliancepb.ListDigestsRequest{Parent: r.org + "/shops/north", PageSize: 1000})
	if days := int(at(2027, 1, 7, 0).Sub(at(2026, 6, 1, 0)).Hours() / 24); err != nil || len(resp.GetDigests()) != days {
		t.Errorf("%d digests of %d days, %v", len(resp.GetDigests()), days, err)
	}
}
