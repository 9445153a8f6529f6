package registryrpc_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// A walk over pages shows every unit that is there throughout exactly once, in order, whatever is written meanwhile.
func TestAWalkWhileWritingMissesNothing(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	round := 0
	rapid.Check(t, func(rt *rapid.T) {
		round++
		c := r.found(fmt.Sprintf("reef-%d", round))
		var steady []string
		for i := range rapid.IntRange(0, 12).Draw(rt, "steady") {
			tag := fmt.Sprintf("%s%d", rapid.SampledFrom([]string{"A", "a", "Z", "m-", "0"}).Draw(rt, "prefix"), i)
			u := c.add(tag, "vest")
			steady = append(steady, tag+" "+u.GetName())
			if rapid.Bool().Draw(rt, "tag used again") {
				must(t)(c.RetireUnit(t.Context(), &registrypb.RetireUnitRequest{Name: u.GetName(), Reason: "sold"}))
				steady = append(steady, tag+" "+c.add(tag, "vest").GetName())
			}
		}
		slices.Sort(steady)
		size, token := rapid.Int32Range(1, 5).Draw(rt, "page"), ""
		var seen []string
		for n := 0; ; n++ {
			resp, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageSize: size, PageToken: token, Filter: `kind = "bcd"`})
			if err != nil {
				rt.Fatal(err)
			}
			if len(resp.GetUnits()) > int(size) {
				rt.Fatalf("%d units on a page of %d", len(resp.GetUnits()), size)
			}
			for _, u := range resp.GetUnits() {
				seen = append(seen, u.GetAssetTag()+" "+u.GetName())
			}
			if token = resp.GetNextPageToken(); token == "" {
				break
			}
			switch rapid.IntRange(0, 2).Draw(rt, "write") {
			case 0: // a unit before the place the walk has reached, or after it
				c.add(fmt.Sprintf("%s%d.new", rapid.SampledFrom([]string{"A", "z"}).Draw(rt, "where"), n), "vest")
			case 1: // a change of a unit seen already
				_, name, _ := strings.Cut(seen[0], " ")
				if x := c.get(name); x.GetState() == registrypb.Unit_STATE_ACTIVE {
					x.SerialNumber = fmt.Sprint(n)
					must(t)(c.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: x}))
				}
			}
		}
		if !slices.IsSorted(seen) || len(slices.Compact(slices.Clone(seen))) != len(seen) {
			rt.Errorf("out of order, or twice: %v", seen)
		}
		for _, tag := range steady {
			if !slices.Contains(seen, tag) {
				rt.Errorf("%s is missing in %v", tag, seen)
			}
		}
	})
}

func TestPageTokens(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	for _, tag := range ids("U", 3) {
		c.add(tag, "vest")
	}
	p, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageSize: 1, Filter: `kind = "bcd"`})
	if err != nil {
		t.Fatal(err)
	}
	token := p.GetNextPageToken()
	if next, err := c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageSize: 2, PageToken: token, Filter: `kind = "bcd"`}); err != nil || len(next.GetUnits()) != 2 || next.GetNextPageToken() != "" {
		t.Errorf("another page size: got %v, %v", next, err) // AIP-158 lets the size change
	}
	_, err = c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageToken: token})
	wantRefused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token")
	_, err = c.ListModels(t.Context(), &registrypb.ListModelsRequest{Parent: c.name(), PageToken: token})
	wantRefused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token")
	altered := []byte(token)
	altered[3] ^= 1
	_, err = c.ListUnits(t.Context(), &registrypb.ListUnitsRequest{Parent: c.name(), PageToken: string(altered), Filter: `kind = "bcd"`})
	wantRefused(t, err, codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token")
	for _, list := range []func(string) error{
		func(tok string) error {
			_, err := c.ListShops(t.Context(), &registrypb.ListShopsRequest{Parent: c.name(), PageToken: tok})
			return err
		},
		func(tok string) error {
			_, err := c.ListTechnicians(t.Context(), &registrypb.ListTechniciansRequest{Parent: c.name(), PageToken: tok})
			return err
		},
		func(tok string) error {
			_, err := c.ListFittings(t.Context(), &registrypb.ListFittingsRequest{Parent: c.unitName("-"), PageToken: tok})
			return err
		},
	} {
		wantRefused(t, list("x"), codes.InvalidArgument, "PAGE_TOKEN_INVALID", "page_token")
	}
	shops, err := c.ListShops(t.Context(), &registrypb.ListShopsRequest{Parent: c.name(), PageSize: 1})
	if err != nil || len(shops.GetShops()) != 1 {
		t.Fatal(shops, err)
	}
	rest, err := c.ListShops(t.Context(), &registrypb.ListShopsRequest{Parent: c.name(), PageToken: shops.GetNextPageToken()})
	if err != nil || len(rest.GetShops()) != 1 || proto.Equal(rest.GetShops()[0], shops.GetShops()[0]) || rest.GetNextPageToken() != "" {
		t.Errorf("got %v, %v", rest, err)
	}
}

// statements counts the queries of a connection pool, without those that begin and end transactions.
type statements struct {
	mu  sync.Mutex
	sql []string
}

func (s *statements) TraceQueryStart(ctx context.Context, _ *pgx.Conn, d pgx.TraceQueryStartData) context.Context {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.sql = append(s.sql, d.SQL)
	return ctx
}

func (*statements) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (s *statements) take() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.sql
	s.sql = nil
	return out
}

func TestBatchGetIsOneQuery(t *testing.T) {
	t.Parallel()
	trace := &statements{}
	c := newRigWith(t, setup{tracer: trace}).found("reef")
	req := &registrypb.BatchCreateUnitsRequest{Parent: c.name()}
	for _, tag := range ids("U", 1000) {
		req.Requests = append(req.Requests, &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(tag, "vest", "harbour")})
	}
	resp, err := c.BatchCreateUnits(t.Context(), req)
	if err != nil {
		t.Fatal(err)
	}
	get := &registrypb.BatchGetUnitsRequest{Parent: c.name()}
	for _, u := range resp.GetUnits() {
		get.Names = append(get.Names, u.GetName())
	}
	trace.take()
	must(t)(c.BatchGetUnits(t.Context(), get))
	if got := trace.take(); len(got) != 3 { // begin, the query, commit
		t.Errorf("%d statements: %q", len(got), got)
	}
}
