package idem_test

import (
	"context"
	"embed"
	"errors"
	"io/fs"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/idem"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/tenant"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

//go:embed testdata/*.sql
var migrations embed.FS

var tally = pg.Schema{Name: "tally", Role: "strandline_tally", Migrations: sub()}

func sub() fs.FS {
	f, err := fs.Sub(migrations, "testdata")
	if err != nil {
		panic(err)
	}
	return f
}

func TestMain(m *testing.M) { pgtest.Main(m, tally) }

var (
	reef  = tenant.Must("reef")
	wreck = tenant.Must("wreck")
	noon  = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
)

// count adds one to the org's tally and answers with it: an effect that shows how often it happened.
func count(db *pg.DB, org tenant.Org) func(ctx context.Context) (*wrapperspb.Int64Value, error) {
	return func(ctx context.Context) (*wrapperspb.Int64Value, error) {
		var n int64
		err := db.InOrg(ctx, org, func(ctx context.Context, tx pgx.Tx) error {
			return tx.QueryRow(ctx, `insert into tallies (org_id, number) values ($1, 1)
				on conflict (org_id) do update set number = tallies.number + 1 returning number`, org.UUID).Scan(&n)
		})
		return wrapperspb.Int64(n), err
	}
}

// tallied returns how often count took effect.
func tallied(t *testing.T, db *pg.DB, org tenant.Org) int64 {
	t.Helper()
	var n int64
	if err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select coalesce(sum(number), 0) from tallies`).Scan(&n)
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

func remembered(t *testing.T, db *pg.DB, org tenant.Org) int {
	t.Helper()
	var n int
	if err := db.ReadOrg(t.Context(), org, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select count(*) from request_ids`).Scan(&n)
	}); err != nil {
		t.Fatal(err)
	}
	return n
}

func request(id, tag string) *registrypb.CreateUnitRequest {
	return &registrypb.CreateUnitRequest{Parent: "orgs/reef", RequestId: id, Unit: &registrypb.Unit{AssetTag: tag}}
}

func TestARepeatGetsTheFirstAnswer(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	for range 3 {
		got, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), count(db, reef))
		if err != nil {
			t.Fatal(err)
		}
		if got.GetValue() != 1 {
			t.Errorf("got %d, want the first answer, 1", got.GetValue())
		}
	}
	if n := tallied(t, db, reef); n != 1 {
		t.Errorf("took effect %d times", n)
	}
}

func TestTheSameIDWithAnotherRequestIsRefused(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	if _, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), count(db, reef)); err != nil {
		t.Fatal(err)
	}
	for name, give := range map[string]struct {
		method string
		req    proto.Message
	}{
		"another body":   {"M", request(id, "R-2")},
		"another method": {"N", request(id, "R-1")},
	} {
		_, err := idem.Run(t.Context(), db, reef, noon, give.method, id, false, give.req, count(db, reef))
		if e := errs.As(err); e == nil || e.Kind != errs.Invalid || e.Reason != "REQUEST_ID_REUSED" || e.Meta["requestId"] != id {
			t.Errorf("%s: got %v", name, err)
		}
	}
	if n := tallied(t, db, reef); n != 1 {
		t.Errorf("took effect %d times", n)
	}
}

func TestAnotherOrgHasItsOwnIDs(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	for _, org := range []tenant.Org{reef, wreck} {
		got, err := idem.Run(t.Context(), db, org, noon, "M", id, false, request(id, "of "+org.ID), count(db, org))
		if err != nil || got.GetValue() != 1 {
			t.Errorf("%s: got %v, %v", org.ID, got, err)
		}
	}
}

func TestAFailureIsForgotten(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	want := errs.New(errs.Precondition, "UNIT_RETIRED", "retired")
	_, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), func(ctx context.Context) (*wrapperspb.Int64Value, error) {
		if _, err := count(db, reef)(ctx); err != nil {
			return nil, err
		}
		return nil, want
	})
	if !errors.Is(err, want) {
		t.Fatalf("got %v", err)
	}
	if n := tallied(t, db, reef); n != 0 {
		t.Errorf("the failed request took effect")
	}
	if got, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), count(db, reef)); err != nil || got.GetValue() != 1 {
		t.Errorf("got %v, %v", got, err)
	}
}

func TestWithoutAnIDEveryRequestCounts(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	for want := range int64(2) {
		got, err := idem.Run(t.Context(), db, reef, noon, "M", "", false, request("", "R-1"), count(db, reef))
		if err != nil || got.GetValue() != want+1 {
			t.Errorf("got %v, %v", got, err)
		}
	}
	if n := remembered(t, db, reef); n != 0 {
		t.Errorf("%d records without an id", n)
	}
}

func TestADryRunLeavesNothing(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	dry := func(ctx context.Context) (*wrapperspb.Int64Value, error) {
		return idem.Run(ctx, db, reef, noon, "M", id, true, request(id, "R-1"), count(db, reef))
	}
	if got, err := dry(t.Context()); err != nil || got.GetValue() != 1 {
		t.Fatalf("got %v, %v", got, err)
	}
	// Also inside a transaction that goes on to commit.
	err := db.InOrg(t.Context(), reef, func(ctx context.Context, _ pgx.Tx) error {
		got, err := dry(ctx)
		if err == nil && got.GetValue() != 1 {
			t.Errorf("got %v", got)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if n, r := tallied(t, db, reef), remembered(t, db, reef); n != 0 || r != 0 {
		t.Errorf("a dry run left %d effects and %d records", n, r)
	}
	if got, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), count(db, reef)); err != nil || got.GetValue() != 1 {
		t.Errorf("the real run: got %v, %v", got, err)
	}
}

func TestAnIDIsKeptForSevenDays(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	for _, c := range []struct {
		at   time.Time
		want int64
	}{
		{noon, 1},
		{noon.Add(idem.Kept), 1},
		{noon.Add(idem.Kept + time.Microsecond), 2},
		{noon.Add(2 * idem.Kept), 2},
	} {
		got, err := idem.Run(t.Context(), db, reef, c.at, "M", id, false, request(id, "R-1"), count(db, reef))
		if err != nil || got.GetValue() != c.want {
			t.Errorf("%s: got %v, %v, want %d", c.at, got, err, c.want)
		}
	}
}

func TestExpiredIDsAreClearedAwayEightyAtATime(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	run := func(org tenant.Org, at time.Time, turn bool) {
		t.Helper()
		id := uuid.New()
		if id[15] &^= 7; !turn {
			id[15] |= 5
		}
		if _, err := idem.Run(t.Context(), db, org, at, "M", id.String(), false, request(id.String(), "R"), count(db, org)); err != nil {
			t.Fatal(err)
		}
	}
	for range 83 {
		run(reef, noon, false)
	}
	run(wreck, noon, false)
	later := noon.Add(idem.Kept + time.Hour)
	for _, c := range []struct {
		turn bool
		want int
	}{{false, 84}, {true, 5}, {false, 6}, {true, 4}, {true, 5}} { // 83 + 1; 84 - 80 + 1; 5 + 1; 6 - 3 + 1; 4 + 1
		run(reef, later, c.turn)
		if n := remembered(t, db, reef); n != c.want {
			t.Errorf("%d records, want %d", n, c.want)
		}
	}
	if n := remembered(t, db, wreck); n != 1 {
		t.Errorf("the other org has %d records, want its 1", n)
	}
}

func TestSixteenAtOnceTakeEffectOnce(t *testing.T) {
	t.Parallel()
	const callers = 16
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: tally.Role, Schema: tally.Name, MaxConns: callers})
	for round := range int64(10) {
		id := uuid.NewString()
		var ran atomic.Int64
		var wg sync.WaitGroup
		start := make(chan struct{})
		for range callers {
			wg.Go(func() {
				<-start
				got, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R-1"), func(ctx context.Context) (*wrapperspb.Int64Value, error) {
					ran.Add(1)
					return count(db, reef)(ctx)
				})
				if err != nil || got.GetValue() != round+1 {
					t.Errorf("round %d: got %v, %v", round, got, err)
				}
			})
		}
		close(start)
		wg.Wait()
		if n := ran.Load(); n != 1 {
			t.Errorf("round %d: ran %d times", round, n)
		}
	}
	if n := tallied(t, db, reef); n != 10 {
		t.Errorf("took effect %d times, want 10", n)
	}
}

func TestDifferentIDsAtOnceAllTakeEffect(t *testing.T) {
	t.Parallel()
	const callers = 16
	db := pgtest.New(t).OpenWith(t, pg.Config{Role: tally.Role, Schema: tally.Name, MaxConns: callers})
	var wg sync.WaitGroup
	for i := range callers {
		wg.Go(func() {
			id := uuid.NewString()
			if _, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, strconv.Itoa(i)), count(db, reef)); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if n := tallied(t, db, reef); n != callers {
		t.Errorf("took effect %d times, want %d", n, callers)
	}
}

func TestAnEmptyAnswerIsAnAnswer(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	id := uuid.NewString()
	runs := 0
	for range 2 {
		got, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R"), func(context.Context) (*wrapperspb.Int64Value, error) {
			runs++
			return &wrapperspb.Int64Value{}, nil
		})
		if err != nil || got == nil || got.GetValue() != 0 {
			t.Errorf("got %v, %v", got, err)
		}
	}
	if runs != 1 {
		t.Errorf("ran %d times", runs)
	}
}

func TestAMalformedIDIsTheClientsFault(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t).Open(t, tally)
	for _, id := range []string{"x", "urn:uuid:3f2b8c1e-0d4a-4e59-9a57-6c1d2e3f4a5b", "{3f2b8c1e-0d4a-4e59-9a57-6c1d2e3f4a5b}"} {
		_, err := idem.Run(t.Context(), db, reef, noon, "M", id, false, request(id, "R"), count(db, reef))
		if e := errs.As(err); e == nil || e.Kind != errs.Invalid || e.Violations[0].Field != "request_id" {
			t.Errorf("%q: got %v", id, err)
		}
	}
}

func TestTheDigestLeavesTheRequestAlone(t *testing.T) {
	t.Parallel()
	a, b, c := request("one", "R-1"), request("two", "R-1"), request("one", "R-2")
	digest := func(m proto.Message) string {
		d, err := idem.Digest(m)
		if err != nil {
			t.Fatal(err)
		}
		return string(d)
	}
	if digest(a) != digest(b) {
		t.Error("the digest depends on the request id")
	}
	if digest(a) == digest(c) {
		t.Error("the digest does not depend on the request")
	}
	if a.GetRequestId() != "one" || a.GetUnit().GetAssetTag() != "R-1" {
		t.Error("the request was changed")
	}
}
