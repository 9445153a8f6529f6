package compliancepg_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

// story is what becomes known to an org over some months: at each instant a page of one feed, or a revision of a pack.
type story struct {
	f      *feeds
	end    time.Time
	events []storyEvent
}

type storyEvent struct {
	at       time.Time
	registry int // the feed up to and with this change
	history  int
	pack     *due.Pack
}

// newStory is a fleet that was there before, and half a year in which it is used, served, corrected, moved, retired and given other
// rules, over both changes of clocks of its shops.
func newStory(t testing.TB, units, events int) *story {
	rng := seed(t)
	f := randomFleet(rng, units, units*8)
	for i, z := range []string{"America/New_York", "Australia/Lord_Howe", "Pacific/Apia"} {
		f.register(compliance.Change{Shop: &compliance.Shop{ID: fmt.Sprint("shop", i), Name: z, Zone: z, Jurisdiction: []string{"US-CA", "GB", "US"}[i]}})
	}
	s := &story{f: f, end: time.Date(2026, 11, 20, 3, 0, 0, 0, time.UTC)}
	s.events = append(s.events, storyEvent{at: today, registry: len(f.registry), history: len(f.history)})
	var said []due.Entry
	for i := range events {
		at := today.Add(time.Duration(i+1) * s.end.Sub(today) / time.Duration(events+1)).Truncate(time.Microsecond)
		e := storyEvent{at: at}
		u := &f.units[rng.IntN(len(f.units))]
		switch n := rng.IntN(12); {
		case n < 5: // late entries too
			said = append(said, f.record(f.entry(u.ID, at.Add(-time.Duration(rng.IntN(20*24))*time.Hour))))
		case n < 7:
			said = append(said, f.record(due.Entry{Unit: u.ID, Occurred: at, Kind: due.Work, Activities: []string{"overhaul", "inspection", "hydrostatic-test"}, Outcome: due.Pass}))
		case n < 8 && len(said) > 0:
			old := said[rng.IntN(len(said))]
			f.record(due.Entry{Unit: old.Unit, Kind: due.Amendment, Occurred: at, Corrects: old.ID})
		case n < 10:
			u.Placements = append(slices.Clone(u.Placements), compliance.Placement{Shop: fmt.Sprint("shop", rng.IntN(3)), From: at})
			f.register(compliance.Change{Unit: ptr(*u)})
		case n < 11 && rng.IntN(3) == 0:
			u.Retired = at
			f.register(compliance.Change{Unit: ptr(*u)})
		default:
			p := house()[2]
			p.Effective = civil.In(at, time.UTC).AddDays(rng.IntN(9) - 2)
			p.Rules = slices.Clone(p.Rules)
			p.Rules[0].Months = 6 + rng.IntN(12)
			p.Rules[4].LeadDays = 10 + rng.IntN(80)
			if rng.IntN(2) == 0 {
				p.Rules = slices.Delete(p.Rules, 1, 2)
			}
			if last := s.lastPack(); last == nil && p.Effective >= house()[2].Effective || last != nil && last.Effective <= p.Effective {
				e.pack = &p
			}
		}
		e.registry, e.history = len(f.registry), len(f.history)
		s.events = append(s.events, e)
	}
	return s
}

func (s *story) lastPack() (p *due.Pack) {
	for _, e := range s.events {
		if e.pack != nil {
			p = e.pack
		}
	}
	return p
}

// teller plays a story on one database.
type teller struct {
	*world
	clock *clock.Fake
	look  func(now time.Time) // brings what is told up to an instant
	conn  *pgx.Conn
}

func newTeller(t testing.TB) *teller {
	w := &teller{world: newWorld(t), clock: clock.NewFake(today)}
	w.store.Clocked(w.clock)
	return w
}

// admin returns a connection of its own, which sees every org.
func (w *teller) admin() *pgx.Conn {
	w.t.Helper()
	if w.conn == nil {
		conn, err := pgx.Connect(w.t.Context(), w.data.DSN())
		if err != nil {
			w.t.Fatal(err)
		}
		w.t.Cleanup(func() { _ = conn.Close(context.WithoutCancel(w.t.Context())) })
		w.conn = conn
	}
	return w.conn
}

// notify looks until there is no more to tell.
func (w *teller) notify(store *compliancepg.Store, now time.Time, limit int) {
	w.t.Helper()
	for more := true; more; {
		told, err := store.Notify(w.t.Context(), org, now, limit, true)
		if err != nil {
			w.t.Fatal(err)
		}
		if told.Behind || told.Busy {
			w.t.Fatalf("%+v", told)
		}
		more = told.More
	}
}

// play lets the story happen. Each event is looked at when it becomes known; in between there are looks after pauses.
func (w *teller) play(s *story, pause func() time.Duration) {
	w.t.Helper()
	w.publish(house()...)
	next := today.Add(pause())
	for _, e := range append(slices.Clone(s.events), storyEvent{at: s.end}) {
		for next.Before(e.at) {
			w.clock.Set(next)
			w.look(next)
			next = next.Add(pause())
		}
		w.clock.Set(e.at)
		for _, source := range []compliance.Source{compliance.Registry, compliance.History} {
			p, err := w.store.Position(w.t.Context(), org)
			if err != nil {
				w.t.Fatal(err)
			}
			if upto := map[compliance.Source]int{compliance.Registry: e.registry, compliance.History: e.history}[source]; upto > int(p.Of(source)) {
				if _, err := w.store.Apply(w.t.Context(), org, source, s.f.of(source)[p.Of(source):upto]); err != nil {
					w.t.Fatal(err)
				}
			}
		}
		if e.pack != nil {
			w.publishAt(e.at, *e.pack)
		}
		w.look(e.at)
	}
}

// told returns all notices and digests as text, without when they were written.
func (w *teller) told() (notices, digests []string) {
	w.t.Helper()
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		all, err := r.Notices(ctx, compliance.NoticeQuery{Limit: 1e6})
		if err != nil {
			return err
		}
		for i, n := range all {
			if n.Number != int64(i+1) {
				w.t.Fatalf("notice %d is number %d", i+1, n.Number)
			}
			n.Noticed = time.Time{}
			notices = append(notices, fmt.Sprintf("%+v", n))
		}
		ds, err := r.Digests(ctx, compliance.DigestQuery{Limit: 1e6})
		for _, d := range ds {
			digests = append(digests, fmt.Sprintf("%+v", d))
		}
		return err
	})
	return notices, digests
}

// TestToldOnceByManyReplicas plays a story with one teller that looks every hour or so, and again with three that look at once, at random
// times, some of them ten days apart, in small batches, and that lose their transaction now and then: what is told is the same.
func TestToldOnceByManyReplicas(t *testing.T) {
	t.Parallel()
	s := newStory(t, 30, 60)
	calm := newTeller(t)
	calm.look = func(now time.Time) { calm.notify(calm.store, now, 500) }
	calm.play(s, func() time.Duration { return 7 * time.Hour })
	notices, digests := calm.told()
	if len(notices) < 10 || len(digests) < 3*150 {
		t.Errorf("only %d notices and %d digests", len(notices), len(digests))
	}
	calm.agrees(s)

	wild := newTeller(t)
	dbs := make([]*pg.DB, 3)
	stores := make([]*compliancepg.Store, len(dbs))
	for i := range dbs {
		dbs[i] = wild.data.Open(t, compliancepg.Schema)
		stores[i] = compliancepg.NewStore(dbs[i], decode).Clocked(wild.clock)
	}
	wild.store = stores[0]
	rng, lost := s.f.rng, 0
	wild.look = func(now time.Time) {
		if rng.IntN(3) == 0 {
			lost++
			if err := dbs[0].InOrg(t.Context(), org, func(ctx context.Context, _ pgx.Tx) error {
				if _, err := stores[0].Notify(ctx, org, now, 5, true); err != nil {
					return err
				}
				return errCrash
			}); err == nil {
				t.Fatal("the transaction was not rolled back")
			}
		}
		var g errgroup.Group
		for i, store := range stores {
			limit := 1 + rng.IntN(9)
			g.Go(func() error {
				for {
					told, err := store.Notify(t.Context(), org, now, limit, i == 0)
					if err != nil || !told.More && !told.Busy {
						return err
					}
				}
			})
		}
		if err := g.Wait(); err != nil {
			t.Fatal(err)
		}
	}
	wild.play(s, func() time.Duration {
		if rng.IntN(4) == 0 {
			return 10 * 24 * time.Hour
		}
		return time.Duration(1+rng.IntN(72*60)) * time.Minute
	})
	gotNotices, gotDigests := wild.told()
	if d := cmp.Diff(notices, gotNotices); d != "" {
		t.Fatalf("notices differ:\n%s", d)
	}
	if d := cmp.Diff(digests, gotDigests); d != "" {
		t.Fatalf("digests differ:\n%s", d)
	}
	if lost == 0 {
		t.Error("no transaction was lost")
	}
}

// agrees derives every unit for the end of the story and wants what was told last of each rule to be what the engine says of it.
func (w *teller) agrees(s *story) {
	w.t.Helper()
	told := map[string]string{}
	conn, err := pgx.Connect(w.t.Context(), w.data.DSN())
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(w.t.Context())) }()
	rows, err := conn.Query(w.t.Context(), `select unit_id::text || ' ' || pack || '/' || rule, shop || ' ' || state || ' ' || blocking from compliance.notice_states where state > 0`)
	if err != nil {
		w.t.Fatal(err)
	}
	var key, value string
	if _, err := pgx.ForEachRow(rows, []any{&key, &value}, func() error { told[key] = value; return nil }); err != nil {
		w.t.Fatal(err)
	}
	want := map[string]string{}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		ids := make([]uuid.UUID, len(s.f.units))
		for i, u := range s.f.units {
			ids[i] = u.ID
		}
		sets, err := r.Derive(ctx, ids, s.end, time.Time{})
		for _, set := range sets {
			d := set.Self
			if !compliance.WorkIsDue(d, s.end) {
				continue
			}
			on := civil.In(s.end, d.Stay.Zone)
			for i := range d.Clocks {
				if c := &d.Clocks[i]; c.InForce(on) {
					want[fmt.Sprintf("%s %s/%s", c.Unit, c.Pack.ID, c.Rule.ID)] = fmt.Sprintf("%s %d %t", d.Stay.Shop, c.State(on), c.Blocking(on))
				}
			}
		}
		return err
	})
	if d := cmp.Diff(want, told); d != "" {
		w.t.Errorf("what was told is not what is:\n%s", d)
	}
	var wrong int
	if err := conn.QueryRow(w.t.Context(), `select count(*) from compliance.notice_shops as n 
		where blocking <> (select count(*) from compliance.notice_states as s where s.org_id = n.org_id and s.shop = n.shop and s.blocking)
			or due_soon <> (select count(*) from compliance.notice_states as s where s.org_id = n.org_id and s.shop = n.shop and s.state = 2)`).Scan(&wrong); err != nil || wrong > 0 {
		w.t.Errorf("%d shops count wrongly, %v", wrong, err)
	}
}

// TestRebuildTellsNothing rebuilds, and reads the feeds again page by page as after a migration: nothing is told again, and nothing is
// told while the projection is behind.
func TestRebuildTellsNothing(t *testing.T) {
	long(t)
	t.Parallel()
	s := newStory(t, 20, 30)
	w := newTeller(t)
	w.look = func(now time.Time) { w.notify(w.store, now, 50) }
	w.play(s, func() time.Duration { return 20 * time.Hour })
	before, _ := w.told()
	read := func(_ context.Context, source compliance.Source, after int64) ([]compliance.Change, error) {
		return s.f.page(source, after, 100), nil
	}
	if _, _, err := w.store.Rebuild(t.Context(), org, read); err != nil {
		t.Fatal(err)
	}
	w.look(s.end)
	conn, err := pgx.Connect(t.Context(), w.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(t.Context())) }()
	if _, err := conn.Exec(t.Context(), `set search_path = compliance; truncate clocks, unit_holds, p_lot_uses, p_ledger, p_amendments, p_fittings, p_units, p_models, p_shops, p_versions, cursors`); err != nil {
		t.Fatal(err)
	}
	behind := 0
	for _, source := range []compliance.Source{compliance.Registry, compliance.History} {
		for from := int64(0); from < int64(len(s.f.of(source))); from += 20 {
			told, err := w.store.Notify(t.Context(), org, s.end, 50, true)
			if err != nil || !told.Behind {
				t.Fatalf("at %d of %v: %+v, %v", from, source, told, err)
			}
			behind++
			if _, err := w.store.Apply(t.Context(), org, source, s.f.page(source, from, 20)); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.look(s.end)
	if after, _ := w.told(); behind == 0 || !slices.Equal(before, after) {
		t.Errorf("%d notices before and %d after", len(before), len(after))
	}
	w.agrees(s)
}

// TestTellerDiesInsideABatch kills the backend of a teller after it has written notices and before it commits: nothing of the batch is
// there, and looking again tells all of it.
func TestTellerDiesInsideABatch(t *testing.T) {
	t.Parallel()
	s := newStory(t, 20, 30)
	w := newTeller(t)
	w.look = func(now time.Time) { w.notify(w.store, now, 50) }
	w.play(s, func() time.Duration { return 20 * time.Hour })
	before, digests := w.told()
	admin, err := pgx.Connect(t.Context(), w.data.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = admin.Close(context.WithoutCancel(t.Context())) }()
	block, err := admin.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	// Digests are written after notices, and before the head.
	if _, err := block.Exec(t.Context(), `lock table compliance.digests in share mode`); err != nil {
		t.Fatal(err)
	}
	later := s.end.AddDate(1, 2, 0)
	failed := make(chan error, 1)
	go func() {
		_, err := w.store.Notify(t.Context(), org, later, 1000, true)
		failed <- err
	}()
	for killed := false; !killed; {
		if err := block.QueryRow(t.Context(), `select coalesce(bool_or(pg_terminate_backend(pid)), false) from pg_stat_activity
			where datname = current_database() and wait_event_type = 'Lock' and pid <> pg_backend_pid()`).Scan(&killed); err != nil {
			t.Fatal(err)
		}
	}
	if err := <-failed; !errs.Is(err, "UNAVAILABLE") {
		t.Errorf("the teller whose connection died said %v", err)
	}
	if err := block.Rollback(t.Context()); err != nil {
		t.Fatal(err)
	}
	if after, same := w.told(); !slices.Equal(before, after) || !slices.Equal(digests, same) {
		t.Fatal("half a batch is there")
	}
	w.look(later)
	if after, more := w.told(); len(after) <= len(before) || !slices.Equal(after[:len(before)], before) || len(more) <= len(digests) {
		t.Errorf("%d notices and %d digests, after %d and %d", len(after), len(more), len(before), len(digests))
	}
}

// TestTellersRaceWithAppliers looks all the time while pages are applied and packs published, in many small transactions: no mark is
// lost, and nobody waits for ever.
func TestTellersRaceWithAppliers(t *testing.T) {
	t.Parallel()
	s := newStory(t, 25, 0)
	w := newTeller(t)
	w.publish(house()...)
	ctx, cancel := context.WithCancel(t.Context())
	var tellers, appliers errgroup.Group
	looks := 0
	for i := range 2 {
		store := compliancepg.NewStore(w.data.Open(t, compliancepg.Schema), decode).Clocked(w.clock)
		tellers.Go(func() error {
			for ctx.Err() == nil {
				if _, err := store.Notify(ctx, org, today, 3, i == 0); err != nil && ctx.Err() == nil {
					return err
				}
				if i == 0 {
					looks++
				}
			}
			return nil
		})
	}
	for _, source := range []compliance.Source{compliance.Registry, compliance.History} {
		if source == compliance.History {
			if err := appliers.Wait(); err != nil {
				t.Fatal(err)
			}
		}
		appliers.Go(func() error {
			for from := int64(0); from < int64(len(s.f.of(source))); from += 4 {
				if _, err := w.store.Apply(t.Context(), org, source, s.f.page(source, from, 4)); err != nil {
					return err
				}
			}
			return nil
		})
	}
	for i := range 5 {
		p := house()[2]
		p.Rules[0].Months += i
		w.publishAt(today, p)
	}
	if err := appliers.Wait(); err != nil {
		t.Fatal(err)
	}
	cancel()
	if err := tellers.Wait(); err != nil {
		t.Fatal(err)
	}
	if looks < 10 {
		t.Errorf("only %d looks", looks)
	}
	w.notify(w.store, today, 50)
	s.end = today
	w.agrees(s)
}

// TestManyShopsEndTheirDayAtOnce has more shops in a zone than a transaction looks at, with units that change at the very midnight at which
// the shops' days end: each digest counts the end of its day, however small the batches are.
func TestManyShopsEndTheirDayAtOnce(t *testing.T) {
	t.Parallel()
	play := func(limit int) (notices, digests []string) {
		w := newTeller(t)
		f := &feeds{rng: rand.New(rand.NewPCG(1, 1))}
		f.register(compliance.Change{Model: &compliance.Model{ID: "bcd", Kind: "bcd"}})
		for i := range 5 {
			shop := fmt.Sprint("shop", i)
			f.register(compliance.Change{Shop: &compliance.Shop{ID: shop, Name: shop, Zone: "Australia/Lord_Howe", Jurisdiction: "XX"}})
			for range 3 {
				f.register(compliance.Change{Unit: &compliance.Unit{ID: f.id(), Tag: fmt.Sprint("T-", len(f.registry)), Model: "bcd", Commissioned: civil.Day(civil.New(2025, 6, 5)), Placements: []compliance.Placement{{Shop: shop}}}})
			}
		}
		w.publishAt(today, due.Pack{ID: "house", Effective: civil.New(2020, 1, 1), Cautions: []string{"Local code wins."}, Rules: []due.Rule{{
			ID: "yearly", Title: "Inspection", Activity: "inspection", Authority: due.House, Scope: due.Scope{Kinds: []string{"bcd"}}, Months: 12, LeadDays: 1, Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut,
		}}})
		w.apply(f)
		w.notify(w.store, today, limit)
		w.clock.Set(today.AddDate(0, 0, 10))
		w.notify(w.store, today.AddDate(0, 0, 10), limit)
		return w.told()
	}
	wantNotices, wantDigests := play(500)
	if len(wantNotices) != 45 || len(wantDigests) != 50 {
		t.Fatalf("%d notices and %d digests", len(wantNotices), len(wantDigests))
	}
	for _, limit := range []int{1, 2, 4} {
		notices, digests := play(limit)
		if d := cmp.Diff(wantNotices, notices); d != "" {
			t.Errorf("with batches of %d notices differ:\n%s", limit, d)
		}
		if d := cmp.Diff(wantDigests, digests); d != "" {
			t.Errorf("with batches of %d digests differ:\n%s", limit, d)
		}
	}
}

// TestMarksOfBeforeCountFromNow has an applier that began before a look and ended after it, with more units than a transaction looks at:
// what it made known counts from that look on, notices are numbered in the order in which they take effect, and what was told stays told.
func TestMarksOfBeforeCountFromNow(t *testing.T) {
	t.Parallel()
	w := newTeller(t)
	f := &feeds{rng: seed(t)}
	f.register(compliance.Change{Shop: &compliance.Shop{ID: "pier", Name: "Pier", Zone: "Europe/London", Jurisdiction: "XX"}})
	f.register(compliance.Change{Model: &compliance.Model{ID: "bcd", Kind: "bcd"}})
	for range 9 {
		u := compliance.Unit{ID: f.id(), Tag: fmt.Sprint("T-", len(f.registry)), Model: "bcd", Commissioned: civil.Day(civil.New(2025, 7, 1)), Placements: []compliance.Placement{{Shop: "pier"}}}
		f.register(compliance.Change{Unit: &u})
		f.units = append(f.units, u)
	}
	w.publishAt(today, house()[1])
	w.apply(f)
	w.notify(w.store, today, 500)
	began, looked := today.AddDate(0, 0, 3), today.AddDate(0, 0, 3).Add(2*time.Second)
	for i, u := range f.units {
		f.record(due.Entry{Unit: u.ID, Occurred: began.Add(-time.Hour), Kind: due.UsageEntry, Amount: due.Amount{Dives: int64(60 + 20*i)}})
	}
	w.notify(w.store, looked, 500)
	for i := range f.history { // each in a transaction of an instant of its own, all before the look
		w.clock.Set(began.Add(time.Duration(i) * time.Millisecond))
		if _, err := w.store.Apply(t.Context(), org, compliance.History, f.history[i:i+1]); err != nil {
			t.Fatal(err)
		}
	}
	w.clock.Set(looked.Add(time.Hour))
	var told time.Time
	for more := true; more; {
		got, err := w.store.Notify(t.Context(), org, looked.Add(time.Hour), 2, true)
		if err != nil {
			t.Fatal(err)
		}
		more = got.More
		var head time.Time
		if err := w.admin().QueryRow(t.Context(), `select told from compliance.notice_heads`).Scan(&head); err != nil {
			t.Fatal(err)
		}
		if head.Before(told) || head.Before(looked) {
			t.Errorf("told up to %v, after %v", head, later(told, looked))
		}
		told = head
	}
	var last time.Time
	n := 0
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		all, err := r.Notices(ctx, compliance.NoticeQuery{Limit: 1000})
		for _, x := range all {
			if n++; x.Effective.Before(last) || x.Effective.Before(looked) {
				t.Errorf("notice %d takes effect at %v, after one of %v", x.Number, x.Effective, last)
			}
			last = x.Effective
		}
		return err
	})
	if n < 5 {
		t.Errorf("only %d notices", n)
	}
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
