package historyrpc_test

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/testing/protocmp"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
	"strandline.example/strandline/services/history/historyrpc"
)

// Sixteen writers in two orgs, through two servers as two replicas would be: each org's numbers run from 1 without a gap, every
// receipt is what the ledger holds, and both chains verify.
func TestConcurrentAppends(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	second := historyrpc.New(r.config)
	secondServer := r.newServer()
	second.Register(secondServer)
	const writers, batches, size = 16, 12, 7

	var mu sync.Mutex
	got := map[string]map[int64]*historypb.Receipt{orgA: {}, orgB: {}}
	var wg sync.WaitGroup
	for w := range writers {
		org := []string{orgA, orgB}[w%2]
		shop := r.registry.shop(org, "quay", "UTC")
		unit := r.registry.unit(org, shop, nil).Name
		c := r.client(org)
		if w%4 > 1 {
			c = r.clientOf(secondServer, org)
		}
		wg.Go(func() {
			for range batches {
				var entries []*historypb.Entry
				for i := range size {
					entries = append(entries, dives(unit, start.Add(-time.Duration(i)*time.Minute), 1))
				}
				out, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + org, Entries: entries})
				if err != nil {
					t.Errorf("append: %v", err)
					return
				}
				mu.Lock()
				for i, rec := range out.GetReceipts() {
					if i > 0 && rec.GetSequence() != out.GetReceipts()[i-1].GetSequence()+1 {
						t.Errorf("a batch was torn: %d after %d", rec.GetSequence(), out.GetReceipts()[i-1].GetSequence())
					}
					got[org][rec.GetSequence()] = rec
				}
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	for org, receipts := range got {
		const want = writers / 2 * batches * size
		verify(t, r.client(org), org, want)
		all := r.list(org, &historypb.ListEntriesRequest{PageSize: 1000})
		if len(all) != want || len(receipts) != want {
			t.Fatalf("%s: %d entries, %d receipts; want %d", org, len(all), len(receipts), want)
		}
		for i, e := range all {
			rec := receipts[int64(i+1)]
			if e.GetSequence() != int64(i+1) || rec.GetEntry() != e.GetName() || !slices.Equal(rec.GetDigest(), e.GetDigest()) {
				t.Fatalf("entry %d: %v, receipt %v", i+1, e, rec)
			}
		}
	}
}

// The same batch, sent by many at once, in different orders of its entries: all get the same receipts, and it is there once.
func TestConcurrentRepeats(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	var entries []*historypb.Entry
	for i := range 50 {
		entries = append(entries, dives(units[0], start.Add(-time.Duration(i)*time.Minute), 1))
	}
	var mu sync.Mutex
	seen := map[string]*historypb.Receipt{}
	var wg sync.WaitGroup
	for i := range 8 {
		c := r.client(orgA)
		mine := slices.Clone(entries)
		if i%2 == 1 {
			slices.Reverse(mine)
		}
		wg.Go(func() {
			out, err := c.AppendEntries(t.Context(), &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: mine})
			if err != nil {
				t.Errorf("append: %v", err)
				return
			}
			mu.Lock()
			defer mu.Unlock()
			for _, rec := range out.GetReceipts() {
				if first := seen[rec.GetEntry()]; first != nil {
					if d := cmp.Diff(first, rec, protocmp.Transform()); d != "" {
						t.Errorf("two receipts for one entry\n%s", d)
					}
				}
				seen[rec.GetEntry()] = rec
			}
		})
	}
	wg.Wait()
	verify(t, r.client(orgA), orgA, 50)
}

// The connection dies inside the transaction, with part of the rows sent: nothing of it is there, and the same request succeeds
// afterwards.
func TestConnectionKilled(t *testing.T) {
	t.Parallel()
	for _, how := range []string{"append", "import"} {
		t.Run(how, func(t *testing.T) {
			t.Parallel()
			r := newRig(t)
			_, units := r.fleet(orgA, 1)
			c := r.client(orgA)
			before := appendEntries(t, c, orgA, dives(units[0], start, 1))
			var entries []*historypb.Entry
			for i := range 2500 {
				entries = append(entries, dives(units[0], start.Add(-time.Duration(i)*time.Second), 1))
			}
			if how == "append" {
				entries = entries[:900]
			}
			send := func(ctx context.Context) error {
				if how == "append" {
					_, err := c.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: entries})
					return err
				}
				_, err := importEntries(ctx, c, orgA, entries)
				return err
			}

			// Somebody holds the id of the last entry in a transaction of his own, so that the insert of its chunk must wait for him.
			last := entries[len(entries)-1].GetName()
			blocker := r.admin()
			tx, err := blocker.Begin(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if _, err := tx.Exec(t.Context(), `
				insert into history.entries (org_id, sequence, entry_id, unit_id, shop, kind, occurred, recorded, recorder, body, digest)
				select org_id, 999999, $1, unit_id, shop, kind, occurred, recorded, recorder, body, digest from history.entries limit 1`, last[len(last)-36:]); err != nil {
				t.Fatal(err)
			}
			done := make(chan error, 1)
			go func() { done <- send(t.Context()) }()
			killed := 0
			watch := r.admin()
			for { // pg_stat_activity has no signal to wait for
				if err := watch.QueryRow(t.Context(), `
					select count(*) from (select pg_terminate_backend(pid) from pg_stat_activity
					where datname = current_database() and pid <> pg_backend_pid() and wait_event_type = 'Lock' and query like '%insert into entries%') k`).Scan(&killed); err != nil {
					t.Fatal(err)
				}
				if killed > 0 {
					break
				}
				select {
				case err := <-done:
					t.Fatalf("it ended before it was killed: %v", err)
				case <-time.After(2 * time.Millisecond):
				}
			}
			err = <-done
			if code := status.Code(err); code != codes.Unavailable {
				t.Errorf("the caller was told %v", err)
			}
			if err := tx.Rollback(t.Context()); err != nil {
				t.Fatal(err)
			}
			if n := r.count(); n != 1 {
				t.Fatalf("%d rows after the kill, want the 1 from before", n)
			}
			verify(t, c, orgA, 1)
			if err := send(t.Context()); err != nil {
				t.Fatalf("the same request again: %v", err)
			}
			verify(t, c, orgA, int64(len(entries)+1))
			again := appendEntries(t, c, orgA, entries[0])
			if got, want := again.GetReceipts()[0].GetSequence(), before.GetPosition().GetHistory()+1; got != want {
				t.Errorf("the first entry has sequence %d, want %d", got, want)
			}
		})
	}
}

// A caller whose deadline passes while he waits for his turn is told so, and nothing of his is written.
func TestDeadlineInTheQueue(t *testing.T) {
	t.Parallel()
	r := newRig(t)
	_, units := r.fleet(orgA, 1)
	c := r.client(orgA)
	appendEntries(t, c, orgA, dives(units[0], start, 1))
	holder := r.admin()
	tx, err := holder.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `select from history.heads for update`); err != nil {
		t.Fatal(err)
	}
	var wg sync.WaitGroup
	for range 3 { // the first waits for the row, the others for the first
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			defer cancel()
			_, err := c.AppendEntries(ctx, &historypb.AppendEntriesRequest{Parent: "orgs/" + orgA, Entries: []*historypb.Entry{dives(units[0], start, 1)}})
			if status.Code(err) != codes.DeadlineExceeded {
				t.Errorf("told %v", err)
			}
		})
	}
	wg.Wait()
	// Another org is not held up.
	_, others := r.fleet(orgB, 1)
	appendEntries(t, r.client(orgB), orgB, dives(others[0], start, 1))
	if err := tx.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	appendEntries(t, c, orgA, dives(units[0], start, 1))
	verify(t, c, orgA, 2)
}

// list reads all pages.
func (r *rig) list(org string, req *historypb.ListEntriesRequest) (out []*historypb.Entry) {
	r.t.Helper()
	c := r.client(org)
	if req.GetParent() == "" {
		req.Parent = "orgs/" + org + "/units/-"
	}
	for pages := 0; ; pages++ {
		got, err := c.ListEntries(r.t.Context(), req)
		if err != nil {
			r.t.Fatalf("list: %v", err)
		}
		out = append(out, got.GetEntries()...)
		if got.GetNextPageToken() == "" {
			return out
		}
		if len(got.GetEntries()) == 0 || pages > 10000 {
			r.t.Fatal(fmt.Sprint("a page without entries that is not the last, after ", pages))
		}
		req.PageToken = got.GetNextPageToken()
	}
}
