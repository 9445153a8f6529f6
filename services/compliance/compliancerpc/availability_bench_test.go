package compliancerpc

import (
	"context"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/auth"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// searchPack has one rule for the twenty kinds of searchFleet. Its figures are common practice, no source.
var searchPack = `
title: House policy of the searches
effectiveDate: {year: 2020, month: 1, day: 1}
rules:
  - {id: yearly, title: Inspection, activity: inspection, authority: AUTHORITY_HOUSE, source: {document: "common practice, no source"}, scope: {kinds: [` + searchKinds() + `]}, limit: {months: 12, dives: 100}, baselines: [BASELINE_COMMISSIONING], blocks: [USE_HAND_OUT]}
`

func searchKinds() string {
	var kinds []string
	for i := range 20 {
		kinds = append(kinds, fmt.Sprintf("kind%02d", i))
	}
	return strings.Join(kinds, ", ")
}

// searchFleet writes a fleet straight into the projection of an org: shops of 1,000 units, 50 of each of twenty kinds. Of each 50, two are
// overdue, one is held, one is promised over the window that the benchmarks ask about, and four before or after it; so 46 are available.
func searchFleet(b *testing.B, conn *pgx.Conn, org tenant.Org, units int) {
	b.Helper()
	shops := max(1, units/1000)
	for _, sql := range []string{
		`insert into compliance.cursors (org_id, source, number) values ($1::uuid, 1, $2::int * $3::int) on conflict (org_id, source) do update set number = 1`,
		`insert into compliance.p_shops (org_id, shop, display_name, time_zone, jurisdiction)
			select $1, 'shop' || i, 'Shop ' || i, (array['Europe/London', 'Pacific/Auckland', 'America/New_York'])[1 + i % 3], 'GB' from generate_series(0, $3::int - 1) as i where $2::int > 0`,
		`insert into compliance.p_models (org_id, model, kind, maker, size, attributes)
			select $1, k, k, 'Invented', 'M', '{}' from (select 'kind' || lpad(i::text, 2, '0') as k from generate_series(0, 19) as i where $2::int + $3::int > 0) as k`,
		`create temporary table if not exists fleet (n int, unit_id uuid, tag text, kind text, shop text, zone text, due_on date, used int)`,
		`truncate fleet`,
		`insert into fleet select i, md5($1::uuid::text || i)::uuid, 'T-' || lpad(i::text, 7, '0'), 'kind' || lpad((i / 50 % 20)::text, 2, '0'), 'shop' || i / 1000 % $3::int,
				(array['Europe/London', 'Pacific/Auckland', 'America/New_York'])[1 + i / 1000 % $3::int % 3],
				case when i % 25 = 7 then date '2026-05-01' else date '2026-09-01' + (i::bigint * 7919 % 365)::int end, 10 + i % 40
			from generate_series(0, $2::int - 1) as i`,
		`insert into compliance.p_units (org_id, unit_id, tag, model, own_size, attributes, manufactured_month, commissioned_on, commissioned_month, placements, kind, size, shop, settled)
			select $1, unit_id, tag, kind, '', '{}', false, '2024-01-01', false, jsonb_build_array(jsonb_build_object('shop', shop, 'from', '2024-01-01T00:00:00Z')), kind, 'M', shop, '2026-05-30'
			from fleet where $2::int >= $3::int`,
		`insert into compliance.clocks (org_id, unit_id, pack, rule, revision, in_force_from, anchored, anchor_activity, anchor_baseline, anchor_on, anchor_month, anchor_mark_month, due_on,
				used_dives, used_hours, used_fills, usage_soon, spent, date_blocks, usage_blocks, shop, zone, kind, months, limit_dives)
			select $1, unit_id, 'house', 'yearly', 1, '2020-01-01', true, '', 3, due_on - 365, false, false, due_on, used, 0, 0, false, false, 1, 1, shop, zone, kind, 12, 100
			from fleet where $2::int >= $3::int`,
		`insert into compliance.p_ready (org_id, unit_id, kind, shop, size, tag, since, ok_from, ok_until, more, left_dives, left_sure, members)
			select $1, unit_id, kind, shop, 'M', tag, '2026-05-30', case when due_on < '2026-05-30' then null else timestamptz '2026-05-30' end,
				case when due_on < '2026-05-30' then null else (due_on + 1)::timestamp at time zone zone end, false, 100 - used, true, '{}'
			from fleet where $2::int >= $3::int`,
		`insert into compliance.holds_manual (org_id, hold_id, unit_id, reason, blocks, placed, placer)
			select $1, md5('hold' || unit_id)::uuid, unit_id, 'To be looked at.', 1, '2026-05-31', 'someone' from fleet where n % 50 = 11 and $2::int >= $3::int`,
		`insert into compliance.allocations (org_id, allocation_id, group_id, outfit, kind, size, shop, unit_id, during, dives, hours, fills, state, pinned, reference, created, creator, confirmed, number)
			select $1, md5('allocation' || unit_id)::uuid, md5('group' || unit_id)::uuid, 1, kind, '', shop, unit_id,
				case when n % 50 = 3 then tstzrange('2026-06-05 08:00Z', '2026-06-07 16:00Z') else tstzrange('2026-07-05 08:00Z', '2026-07-07 16:00Z') end,
				4, 0, 0, 2, false, '', '2026-05-31', 'someone', '2026-05-31', 0
			from fleet where n % 10 = 3 and $2::int >= $3::int`,
	} {
		args := []any{org.UUID, units, shops}
		if !strings.Contains(sql, "$1") {
			args = nil
		}
		if _, err := conn.Exec(b.Context(), sql, args...); err != nil {
			b.Fatalf("%v in %s", err, sql)
		}
	}
}

// searchRequest asks for one kind in one shop.
func searchRequest(org string, shop, kind int) *compliancepb.SearchAvailabilityRequest {
	return &compliancepb.SearchAvailabilityRequest{
		Parent: "orgs/" + org, Kind: fmt.Sprintf("kind%02d", kind%20), Shop: fmt.Sprintf("orgs/%s/shops/shop%d", org, shop),
		StartTime: timestamppb.New(time.Date(2026, 6, 5, 8, 0, 0, 0, time.UTC)), EndTime: timestamppb.New(time.Date(2026, 6, 6, 16, 0, 0, 0, time.UTC)), ExpectedDives: 4, PageSize: 50,
	}
}

// searcher is either side of a comparison.
type searcher func(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error)

// bareServer is the other side: a gRPC handler with nothing around it, which reads the same rows of one table by one statement on an index, and
// answers with the same message. It knows no orgs, no rules, no clocks and no promises.
type bareServer struct {
	compliancepb.UnimplementedAvailabilityServiceServer
	pool *pgxpool.Pool
	org  tenant.Org
}

func (s *bareServer) SearchAvailability(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
	rows, err := s.pool.Query(ctx, `select unit_id, tag, kind, size, shop, available, code, sentence, clears, rule, hold
		from public.bare where org_id = $1 and kind = $2 and shop = $3 order by available desc, tag limit $4`,
		s.org.UUID, req.GetKind(), req.GetShop()[strings.LastIndexByte(req.GetShop(), '/')+1:], req.GetPageSize())
	if err != nil {
		return nil, err
	}
	resp := &compliancepb.SearchAvailabilityResponse{}
	var id uuid.UUID
	var tag, kind, size, shop, sentence, clears, rule, hold string
	var available bool
	var code int32
	_, err = pgx.ForEachRow(rows, []any{&id, &tag, &kind, &size, &shop, &available, &code, &sentence, &clears, &rule, &hold}, func() error {
		u := &compliancepb.UnitAvailability{Unit: resname.UnitName(s.org, id), AssetTag: tag, Kind: kind, Size: size, Shop: resname.ShopName(s.org, shop), Available: available}
		if available {
			resp.AvailableCount++
		} else {
			resp.UnavailableCount++
			u.Reasons = []*compliancepb.StandingReason{{Code: typepb.Reason(code), Blocks: []compliancepb.Use{compliancepb.Use_USE_HAND_OUT}, Sentence: sentence, Clears: clears, Unit: u.GetUnit(), Rule: rule, Hold: hold}}
		}
		resp.Units = append(resp.Units, u)
		return nil
	})
	return resp, err
}

// bare starts the other side. Its table is made of what our side answers.
func bare(b *testing.B, r *rig, conn *pgx.Conn, org tenant.Org, ours searcher, shops int) searcher {
	b.Helper()
	if _, err := conn.Exec(b.Context(), `create table public.bare (org_id uuid, kind text collate "C", shop text collate "C", available boolean, tag text collate "C", unit_id uuid, size text,
		code int, sentence text, clears text, rule text, hold text)`); err != nil {
		b.Fatal(err)
	}
	var rows [][]any
	for shop := range shops {
		for kind := range 20 {
			resp, err := ours(b.Context(), searchRequest(org.ID, shop, kind))
			if err != nil || len(resp.GetUnits()) != 50 || resp.GetAvailableCount() != 46 || resp.GetUnavailableCount() != 4 {
				b.Fatalf("%d units, %d available, %v", len(resp.GetUnits()), resp.GetAvailableCount(), err)
			}
			for _, u := range resp.GetUnits() {
				why := &compliancepb.StandingReason{}
				if n := len(u.GetReasons()); n == 1 {
					why = u.GetReasons()[0]
				} else if n > 1 {
					b.Fatalf("%d reasons", n)
				}
				rows = append(rows, []any{[16]byte(org.UUID), u.GetKind(), fmt.Sprint("shop", shop), u.GetAvailable(), u.GetAssetTag(), uuid.MustParse(u.GetUnit()[strings.LastIndexByte(u.GetUnit(), '/')+1:]).String(), u.GetSize(),
					int32(why.GetCode()), why.GetSentence(), why.GetClears(), why.GetRule(), why.GetHold()})
			}
		}
	}
	if _, err := conn.CopyFrom(b.Context(), pgx.Identifier{"public", "bare"}, []string{"org_id", "kind", "shop", "available", "tag", "unit_id", "size", "code", "sentence", "clears", "rule", "hold"}, pgx.CopyFromRows(rows)); err != nil {
		b.Fatal(err)
	}
	if _, err := conn.Exec(b.Context(), `create index bare_index on public.bare (org_id, kind, shop, available desc, tag); grant usage on schema public to public; grant select on public.bare to public`); err != nil {
		b.Fatal(err)
	}
	settle(b, conn)
	db := r.db
	server := grpc.NewServer()
	compliancepb.RegisterAvailabilityServiceServer(server, &bareServer{pool: db.Pool(), org: org})
	pipe := bufconn.Listen(1 << 20)
	served := make(chan struct{})
	go func() {
		defer close(served)
		_ = server.Serve(pipe)
	}()
	b.Cleanup(func() { server.Stop(); <-served })
	client, err := grpc.NewClient("passthrough:///bare", grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }),
		grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = client.Close() })
	c := compliancepb.NewAvailabilityServiceClient(client)
	return func(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
		return c.SearchAvailability(ctx, req)
	}
}

func ours(r *rig, org string) searcher {
	r.clock.Advance(time.Minute) // its token is not of this very instant
	c := compliancepb.NewAvailabilityServiceClient(r.conn(auth.RoleChainManager, org))
	return func(ctx context.Context, req *compliancepb.SearchAvailabilityRequest) (*compliancepb.SearchAvailabilityResponse, error) {
		return c.SearchAvailability(ctx, req)
	}
}

// calls are how many searches so many callers get answered within a time.
func calls(b *testing.B, s searcher, org string, shops, callers int, during time.Duration) float64 {
	b.Helper()
	ctx, cancel := context.WithTimeout(b.Context(), during)
	defer cancel()
	var wall clock.System
	counts := make([]int, callers)
	var wg sync.WaitGroup
	began := wall.Now()
	for i := range callers {
		wg.Go(func() {
			for n := i; ctx.Err() == nil; n += callers {
				if _, err := s(b.Context(), searchRequest(org, n%shops, n/shops)); err != nil {
					b.Error(err)
					return
				}
				counts[i]++
			}
		})
	}
	wg.Wait()
	sum := 0
	for _, n := range counts {
		sum += n
	}
	return float64(sum) / wall.Now().Sub(began).Seconds()
}

// BenchmarkSearchAvailability compares the search of one kind in one shop of an org of 100,000 units, with token, validation and row security, with a
// bare gRPC handler that reads the same rows by one indexed SELECT and answers the same: one caller in turn (ABAB), then 16 callers in turns. It
// reports the ratio of the medians with one caller; the goal is at most 2, the aim 1.4; and that of the rates with 16; the goal is at least 0.5, the aim 0.7. Nothing
// changes meanwhile, so that our side answers from its copy, once the database has told it that; busyratio is that of the means where something changes before
// every tenth search, and anewratio that of the medians where every row is read.
func BenchmarkSearchAvailability(b *testing.B) {
	const name, units = "chain", 100_000
	const shops = units / 1000
	org := tenant.Must(name)
	r, conn, clients := benchRig(b, name)
	if _, err := clients[name].PublishRulePack(b.Context(), &compliancepb.PublishRulePackRequest{Parent: "orgs/" + name, RulePackId: "house", RulePack: parsePack(b, searchPack), RequestId: uuid.NewString()}); err != nil {
		b.Fatal(err)
	}
	searchFleet(b, conn, org, units)
	settle(b, conn)
	us := ours(r, name)
	other := bare(b, r, conn, org, us, shops)
	for n := range 40 {
		req := searchRequest(name, n%shops, n)
		a, err := us(b.Context(), req)
		if err != nil {
			b.Fatal(err)
		}
		c, err := other(b.Context(), req)
		if err != nil {
			b.Fatal(err)
		}
		a.Position = nil
		if !proto.Equal(a, c) {
			b.Fatalf("the answers differ:\n%s", cmp.Diff(c, a, protocmp.Transform()))
		}
	}
	var wall clock.System
	var mine, theirs []time.Duration
	n := 0
	for b.Loop() {
		n++
		req := searchRequest(name, n*7%shops, n)
		began := wall.Now()
		if _, err := us(b.Context(), req); err != nil {
			b.Fatal(err)
		}
		between := wall.Now()
		if _, err := other(b.Context(), req); err != nil {
			b.Fatal(err)
		}
		mine, theirs = append(mine, between.Sub(began)), append(theirs, wall.Now().Sub(between))
	}
	var rates, otherRates []float64
	for range 4 {
		rates = append(rates, calls(b, us, name, shops, 16, 500*time.Millisecond))
		otherRates = append(otherRates, calls(b, other, name, shops, 16, 500*time.Millisecond))
	}
	// The same in an org in which something changes before every tenth search.
	var busy time.Duration
	for n := range 400 {
		if n%10 == 0 {
			if _, err := conn.Exec(b.Context(), `with head as (insert into compliance.watch_heads (org_id, number) values ($1, 1) on conflict (org_id) do update set number = compliance.watch_heads.number + 1 returning number)
				insert into compliance.watch_units (org_id, unit_id, number) select $1, md5($1::uuid::text || $2::int)::uuid, number from head on conflict (org_id, unit_id) do update set number = excluded.number`, org.UUID, n*7919%units); err != nil {
				b.Fatal(err)
			}
		}
		began := wall.Now()
		if _, err := us(b.Context(), searchRequest(name, n*7%shops, n)); err != nil {
			b.Fatal(err)
		}
		busy += wall.Now().Sub(began)
	}
	var quiet time.Duration
	for _, d := range theirs {
		quiet += d
	}
	b.ReportMetric(float64(busy)/400/(float64(quiet)/float64(len(theirs))), "busyratio")
	// The same with a window that has begun, which the copy does not answer: every row is read anew.
	var anew []time.Duration
	for n := range 200 {
		req := searchRequest(name, n*7%shops, n)
		req.StartTime = timestamppb.New(now.Add(-time.Minute))
		began := wall.Now()
		if _, err := us(b.Context(), req); err != nil {
			b.Fatal(err)
		}
		anew = append(anew, wall.Now().Sub(began))
	}
	a, t := median(mine), median(theirs)
	b.ReportMetric(float64(median(anew))/float64(t), "anewratio")
	slices.Sort(rates)
	slices.Sort(otherRates)
	b.ReportMetric(float64(a.Microseconds()), "us/search")
	b.ReportMetric(float64(t.Microseconds()), "us/bare")
	b.ReportMetric(float64(a)/float64(t), "p50ratio")
	b.ReportMetric(rates[2], "searches/s")
	b.ReportMetric(otherRates[2], "bare/s")
	b.ReportMetric(rates[2]/otherRates[2], "rateratio")
}

// guarded are the tables that a search reads.
var guarded = []string{"p_ready", "allocations", "holds_manual", "clocks", "unit_holds", "p_units", "p_shops", "rule_packs", "cursors", "heads", "watch_heads", "watch_units"}

// BenchmarkSearchGuard compares the same search with row security and without, by blocks in turn, on one database. It reports the ratios of the medians
// with one caller: of searches that the copy answers, and of those that read every row; the goal is at most 1.35, the aim 1.15.
func BenchmarkSearchGuard(b *testing.B) {
	const name, units = "chain", 100_000
	r, conn, clients := benchRig(b, name)
	if _, err := clients[name].PublishRulePack(b.Context(), &compliancepb.PublishRulePackRequest{Parent: "orgs/" + name, RulePackId: "house", RulePack: parsePack(b, searchPack), RequestId: uuid.NewString()}); err != nil {
		b.Fatal(err)
	}
	searchFleet(b, conn, tenant.Must(name), units)
	settle(b, conn)
	us := ours(r, name)
	var wall clock.System
	took := map[[2]bool][]time.Duration{} // by guarded, and by answered from the copy
	for i := range 120 {                  // so that the side that comes first does not fill the copy for the other
		if _, err := us(b.Context(), searchRequest(name, i%10, i/10)); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		for _, guard := range []bool{true, false} {
			how := map[bool]string{true: "enable", false: "disable"}[guard]
			for _, table := range guarded {
				if _, err := conn.Exec(b.Context(), `alter table compliance.`+table+` `+how+` row level security`); err != nil {
					b.Fatal(err)
				}
			}
			for i := range 120 {
				for _, copied := range []bool{true, false} {
					req := searchRequest(name, i%10, i/10)
					if !copied {
						req.StartTime = timestamppb.New(now.Add(-time.Minute))
					}
					began := wall.Now()
					if _, err := us(b.Context(), req); err != nil {
						b.Fatal(err)
					}
					if i >= 40 { // statements have been planned again
						took[[2]bool{guard, copied}] = append(took[[2]bool{guard, copied}], wall.Now().Sub(began))
					}
				}
			}
		}
	}
	b.ReportMetric(float64(median(took[[2]bool{true, true}]))/float64(median(took[[2]bool{false, true}])), "ratio")
	b.ReportMetric(float64(median(took[[2]bool{true, false}]))/float64(median(took[[2]bool{false, false}])), "anewratio")
}

// BenchmarkSearchGrowth runs the same search, one kind in one shop, on orgs of 1,000, 10,000, 100,000 and 1,000,000 units in turn. It reports the ratios of the
// medians to that of the smallest, of searches that the copy answers and of those that read every row (anew).
func BenchmarkSearchGrowth(b *testing.B) {
	sizes := []int{1000, 10_000, 100_000, 1_000_000}
	name := func(size int) string { return fmt.Sprint("org", size) }
	var names []string
	for _, size := range sizes {
		names = append(names, name(size))
	}
	r, conn, clients := benchRig(b, names...)
	by := map[int]searcher{}
	for _, size := range sizes {
		if _, err := clients[name(size)].PublishRulePack(b.Context(), &compliancepb.PublishRulePackRequest{Parent: "orgs/" + name(size), RulePackId: "house", RulePack: parsePack(b, searchPack), RequestId: uuid.NewString()}); err != nil {
			b.Fatal(err)
		}
		searchFleet(b, conn, tenant.Must(name(size)), size)
		by[size] = ours(r, name(size))
	}
	settle(b, conn)
	var wall clock.System
	copied, anew := map[int][]time.Duration{}, map[int][]time.Duration{}
	n := 0
	for b.Loop() {
		n++
		for _, size := range sizes {
			req := searchRequest(name(size), n*7919%max(1, size/1000), n)
			ask := func() time.Duration {
				began := wall.Now()
				if resp, err := by[size](b.Context(), req); err != nil || len(resp.GetUnits()) != 50 {
					b.Fatalf("%d units, %v", len(resp.GetUnits()), err)
				}
				return wall.Now().Sub(began)
			}
			ask() // now the copy has it
			copied[size] = append(copied[size], ask())
			req.StartTime = timestamppb.New(now.Add(-time.Minute)) // a window that has begun, which it does not answer
			anew[size] = append(anew[size], ask())
		}
	}
	for _, size := range sizes[1:] {
		b.ReportMetric(float64(median(copied[size]))/float64(median(copied[sizes[0]])), fmt.Sprintf("ratio%dk", size/1000))
		b.ReportMetric(float64(median(anew[size]))/float64(median(anew[sizes[0]])), fmt.Sprintf("anew%dk", size/1000))
	}
}
