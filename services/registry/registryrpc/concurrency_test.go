package registryrpc_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	feedpb "strandline.example/strandline/proto/strandline/feed/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// together runs fn n times at once and waits for all.
func together(n int, fn func(i int)) {
	var wg sync.WaitGroup
	start := make(chan struct{})
	for i := range n {
		wg.Go(func() {
			<-start
			fn(i)
		})
	}
	close(start)
	wg.Wait()
}

func TestOneOfManyFittingsWins(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	const callers = 32
	for round := range 5 {
		part := c.add(fmt.Sprintf("P-%d", round), "first")
		hosts := make([]*registrypb.Unit, callers)
		for i := range hosts {
			hosts[i] = c.add(fmt.Sprintf("H-%d-%d", round, i), "set")
		}
		var won atomic.Int64
		together(callers, func(i int) {
			// All of them overlap, and no two begin at the same instant.
			_, err := c.FitUnit(t.Context(), fitting(part, hosts[i], now.Add(-time.Duration(i+1)*time.Hour), time.Time{}))
			if err == nil {
				won.Add(1)
				return
			}
			wantRefused(t, err, codes.FailedPrecondition, "FITTING_OVERLAP", "parent")
		})
		list, err := c.ListFittings(t.Context(), &registrypb.ListFittingsRequest{Parent: part.GetName()})
		if err != nil || won.Load() != 1 || len(list.GetFittings()) != 1 {
			t.Errorf("round %d: %d won, %d fittings, %v", round, won.Load(), len(list.GetFittings()), err)
		}
	}
}

func TestOneOfTwoUnitsGetsTheTag(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	for round := range 10 {
		var won atomic.Int64
		together(8, func(int) {
			_, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(fmt.Sprintf("T-%d", round), "vest", "harbour")})
			if err == nil {
				won.Add(1)
				return
			}
			wantRefused(t, err, codes.AlreadyExists, "ASSET_TAG_TAKEN", "unit.asset_tag")
		})
		if won.Load() != 1 {
			t.Errorf("round %d: %d won", round, won.Load())
		}
	}
}

func TestOneOfTwoWritersWithOneEtagWins(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	u := c.add("U-1", "vest")
	for round := range 10 {
		u = c.get(u.GetName())
		var won atomic.Int64
		together(2, func(i int) {
			x := proto.Clone(u).(*registrypb.Unit)
			x.SerialNumber = fmt.Sprintf("%d by %d", round, i)
			_, err := c.UpdateUnit(t.Context(), &registrypb.UpdateUnitRequest{Unit: x, UpdateMask: mask("serial_number")})
			if err == nil {
				won.Add(1)
				return
			}
			wantRefused(t, err, codes.Aborted, "ETAG_MISMATCH")
		})
		if won.Load() != 1 {
			t.Errorf("round %d: %d won", round, won.Load())
		}
	}
}

func TestTheFeedHasNoGapsUnderManyWriters(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	a, b := r.found("reef"), r.found("wreck")
	start := map[*chain]int64{a: head(t, a), b: head(t, b)}
	const writers, writes = 16, 12
	var mu sync.Mutex
	positions := map[*chain]map[int64]bool{a: {}, b: {}}
	together(writers, func(i int) {
		c := a
		if i%4 == 3 {
			c = b
		}
		for n := range writes {
			resp, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(fmt.Sprintf("W-%d-%d", i, n), "vest", "harbour")})
			if err != nil {
				t.Error(err)
				return
			}
			// A failure in between must leave no gap.
			if _, err := c.CreateUnit(t.Context(), &registrypb.CreateUnitRequest{Parent: c.name(), Unit: c.plainUnit(fmt.Sprintf("W-%d-%d", i, n), "vest", "harbour")}); err == nil {
				t.Error("a tag was given twice")
			}
			mu.Lock()
			if p := resp.GetPosition().GetRegistry(); positions[c][p] {
				t.Errorf("position %d was answered twice", p)
			} else {
				positions[c][p] = true
			}
			mu.Unlock()
		}
	})
	for c, units := range map[*chain]int{a: 12 * writes, b: 4 * writes} {
		changes := readFeed(t, c, 0) // fails at a gap
		if want := start[c] + int64(units); int64(len(changes)) != want || head(t, c) != want {
			t.Errorf("%s: %d changes and head %d, want %d", c.org, len(changes), head(t, c), want)
		}
		for p := range positions[c] {
			if changes[p-1].GetUnit() == nil {
				t.Errorf("position %d is not of a unit", p)
			}
		}
	}
}

func TestFollowersHearOfEachChange(t *testing.T) {
	t.Parallel()
	c := newRig(t).found("reef")
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	stream, err := c.feed().FollowHeads(ctx, &feedpb.FollowHeadsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	at := func(want int64) {
		t.Helper()
		for {
			m, err := stream.Recv()
			if err != nil {
				t.Fatal(err)
			}
			if m.GetOrg() == c.name() && m.GetHead() == want {
				return
			}
		}
	}
	h := head(t, c)
	at(h)
	c.add("U-1", "vest")
	at(h + 1)
}
