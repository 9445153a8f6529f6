package compliancepg_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
	"strandline.example/strandline/services/compliance/due"
)

var (
	org = tenant.Must("reef")
	// today is after everything that happens to the fleets of the tests.
	today = time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
)

// feeds are what registry and history would serve, in order; the first of each is number 1.
type feeds struct {
	rng      *rand.Rand
	registry []compliance.Change
	history  []compliance.Change
	units    []compliance.Unit
	kinds    map[uuid.UUID]string
	signed   []time.Time // when waivers were granted and revoked
}

func seed(t testing.TB) *rand.Rand {
	t.Helper()
	return rand.New(rand.NewPCG(rounds.Seed(t), 1))
}

func (f *feeds) id() uuid.UUID {
	var b [16]byte
	for i := range b {
		b[i] = byte(f.rng.Uint32())
	}
	b[6], b[8] = b[6]&0x0f|0x70, b[8]&0x3f|0x80
	return b
}

func (f *feeds) register(c compliance.Change) {
	c.Number = int64(len(f.registry) + 1)
	f.registry = append(f.registry, c)
}

func (f *feeds) record(e due.Entry) due.Entry {
	e.ID = f.id()
	e.Recorded = e.Occurred.Add(time.Duration(f.rng.IntN(100*24)) * time.Hour)
	f.history = append(f.history, compliance.Change{Number: int64(len(f.history) + 1), Entry: &e})
	return e
}

// between returns an instant of the two years before today.
func (f *feeds) instant() time.Time {
	return today.Add(-time.Duration(f.rng.IntN(2*365*24*60)) * time.Minute).Truncate(time.Microsecond)
}

var zones = []string{"Pacific/Kiritimati", "Europe/London", "Pacific/Pago_Pago"} // UTC+14, 0/+1, -11: three dates at once

// randomFleet is an org with three shops on three different dates, units of five kinds, fittings that move, and what
// happened to them: increments, readings, services, failed tests, reports, service orders, and amendments of all of these.
func randomFleet(rng *rand.Rand, units, entries int) *feeds {
	f := &feeds{rng: rng, kinds: map[uuid.UUID]string{}}
	for i, z := range zones {
		f.register(compliance.Change{Shop: &compliance.Shop{ID: fmt.Sprint("shop", i), Name: z, Zone: z, Jurisdiction: []string{"US-CA", "GB", "US"}[i]}})
	}
	f.register(compliance.Change{}) // an org or a technician
	kinds := []string{"regulator-set", "first-stage", "second-stage", "cylinder", "bcd"}
	for _, k := range kinds {
		f.register(compliance.Change{Model: &compliance.Model{ID: k, Kind: k, Maker: "Invented", Size: "M", Attributes: map[string]string{"alloy": "6061"}}})
	}
	byKind := map[string][]uuid.UUID{}
	for i := range units {
		k := kinds[i%len(kinds)]
		u := compliance.Unit{
			ID: f.id(), Tag: fmt.Sprintf("T-%03d", i), Model: k, Commissioned: civil.Day(civil.New(2024, 1, 1)),
			Placements: []compliance.Placement{{Shop: fmt.Sprint("shop", rng.IntN(3)), From: time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)}},
		}
		if rng.IntN(4) > 0 {
			u.Manufactured = civil.Month(2018+rng.IntN(6), time.Month(1+rng.IntN(12)))
		}
		if rng.IntN(6) == 0 {
			u.Attributes, u.Size = map[string]string{"alloy": "6351"}, "L"
		}
		if rng.IntN(8) == 0 {
			u.Commissioned = civil.Day(civil.In(today, time.UTC).AddDays(rng.IntN(3) - 1)) // some have yet to come, at some shops
		}
		f.register(compliance.Change{Unit: ptr(u)})
		if rng.IntN(5) == 0 {
			u.Placements = append(u.Placements, compliance.Placement{Shop: fmt.Sprint("shop", rng.IntN(3)), From: f.instant()})
			f.register(compliance.Change{Unit: ptr(u)})
		}
		if rng.IntN(12) == 0 {
			u.Retired = f.instant()
			f.register(compliance.Change{Unit: ptr(u)})
		}
		f.units = append(f.units, u)
		f.kinds[u.ID] = k
		byKind[k] = append(byKind[k], u.ID)
	}
	for _, k := range []string{"first-stage", "second-stage"} {
		for _, part := range byKind[k] {
			at := time.Date(2024, 6, 2, 0, 0, 0, 0, time.UTC)
			for n := rng.IntN(4); n > 0; n-- {
				host := byKind["regulator-set"]
				if k == "second-stage" && rng.IntN(3) == 0 {
					host = byKind["first-stage"] // a part of a part
				}
				fit := compliance.Fitting{ID: f.id(), Part: part, Host: host[rng.IntN(len(host))], From: at}
				f.register(compliance.Change{Fitting: ptr(fit)})
				if at = at.Add(time.Duration(1+rng.IntN(250*24)) * time.Hour); at.Before(today) && (n > 1 || rng.IntN(3) == 0) {
					fit.To = at
					f.register(compliance.Change{Fitting: ptr(fit)})
				} else {
					break
				}
			}
		}
	}
	// What a model or a shop says now counts for all the time before.
	f.register(compliance.Change{Model: &compliance.Model{ID: "bcd", Kind: "bcd", Maker: "Invented", Size: "XL", Attributes: map[string]string{"alloy": []string{"6061", "6351"}[rng.IntN(2)]}}})
	f.register(compliance.Change{Shop: &compliance.Shop{ID: "shop1", Name: "moved", Zone: "Europe/Lisbon", Jurisdiction: []string{"GB", "US"}[rng.IntN(2)]}})
	var said []due.Entry
	for range entries {
		u := f.units[rng.IntN(len(f.units))].ID
		e := f.entry(u, f.instant())
		if len(said) > 0 && rng.IntN(8) == 0 {
			old := said[rng.IntN(len(said))]
			e = due.Entry{Unit: old.Unit, Kind: due.Amendment, Occurred: f.instant(), Corrects: old.ID}
			if rng.IntN(3) > 0 {
				c := f.entry(old.Unit, f.instant())
				e.Correct = &c
			}
			f.record(e)
			continue
		}
		if rng.IntN(12) == 0 {
			said = append(said, f.order(u, f.instant())...)
			continue
		}
		said = append(said, f.record(e))
	}
	return f
}

// lots are what the parts of orders are from.
var lots = []string{"seats-1", "seats-2", "seals-7"}

// order records a service order of a unit, and returns what an amendment may try to correct. Some have no opening, some no end; some were
// worked on, and some of that was withdrawn.
func (f *feeds) order(unit uuid.UUID, at time.Time) (said []due.Entry) {
	did := [][]string{{"overhaul"}, {"inspection", "valve-service"}, {"hydrostatic-test"}}[f.rng.IntN(3)]
	order := f.id() // of an opening that never comes
	happens := func(o due.OrderEvent) due.Entry {
		if f.rng.IntN(4) > 0 {
			at = at.Add(time.Duration(f.rng.IntN(80)) * time.Hour)
		}
		if !at.Before(today) {
			at = today.Add(-time.Minute)
		}
		o.Order = order
		return f.record(due.Entry{Unit: unit, Occurred: at, Kind: due.OrderEntry, Order: &o})
	}
	if f.rng.IntN(8) > 0 {
		opening := f.record(due.Entry{Unit: unit, Occurred: at, Kind: due.OrderEntry, Activities: did, Order: &due.OrderEvent{What: due.OrderOpened}})
		opening.Order.Order = opening.ID
		order = opening.ID
		said = append(said, opening)
	}
	if f.rng.IntN(3) > 0 {
		happens(due.OrderEvent{What: due.OrderOther})
	}
	for n := f.rng.IntN(5); n > 0; n-- {
		moved := happens(due.OrderEvent{
			What: []due.OrderStep{due.Worked, due.Fitted, due.Fitted, due.TakenOut}[f.rng.IntN(4)], Lot: lots[f.rng.IntN(len(lots))], Part: "seat", Count: int32(1 + f.rng.IntN(2)),
		})
		if f.rng.IntN(4) == 0 {
			happens(due.OrderEvent{What: due.Withdrew, Withdraws: moved.ID})
		}
	}
	for f.rng.IntN(3) > 0 {
		end := []due.OrderStep{due.SignedPass, due.SignedOther, due.OrderClosed, due.OrderClosed}[f.rng.IntN(4)]
		happens(due.OrderEvent{What: end})
		if end == due.SignedPass {
			said = append(said, f.record(due.Entry{Unit: unit, Occurred: at, Kind: due.Work, Activities: did, Outcome: due.Pass}))
		}
	}
	return said
}

func ptr[T any](v T) *T { return &v }

func (f *feeds) entry(unit uuid.UUID, at time.Time) due.Entry {
	e := due.Entry{Unit: unit, Occurred: at}
	switch n := f.rng.IntN(20); {
	case n < 10:
		e.Kind, e.Amount = due.UsageEntry, due.Amount{Dives: int64(1 + f.rng.IntN(4)), Hours: time.Duration(f.rng.IntN(5000)) * time.Second, Fills: int64(f.rng.IntN(2))}
		e.Estimated = f.rng.IntN(6) == 0
		if f.rng.IntN(4) > 0 {
			e.Celsius, e.HasCelsius = int16(f.rng.IntN(70)-15), true
		}
	case n < 12:
		e.Kind, e.Reading, e.Meter = due.UsageEntry, true, due.Measure(1+f.rng.IntN(3))
		v := int64(f.rng.IntN(60))
		if y, _, _ := at.Date(); y > 2025 {
			v += 60 // meters mostly run forward
		}
		switch e.Meter {
		case due.Dives:
			e.Amount.Dives = v
		case due.Hours:
			e.Amount.Hours = time.Duration(v) * time.Hour
		default:
			e.Amount.Fills = v
		}
		if f.rng.IntN(4) == 0 {
			e.Replaced = true
			if e.Meter == due.Dives {
				e.Replacement.Dives = 3
			}
		}
		if f.rng.IntN(3) == 0 {
			if e.Rollover = 100; e.Meter == due.Hours {
				e.Rollover *= int64(time.Hour)
			}
		}
	case n < 18:
		e.Kind, e.Activities = due.Work, [][]string{{"overhaul"}, {"inspection"}, {"hydrostatic-test"}, {"inspection", "valve-service"}}[f.rng.IntN(4)]
		e.Outcome = []due.Outcome{due.Pass, due.Pass, due.Pass, due.Pass, due.Pass, due.Pass, due.Fail, due.Inconclusive}[f.rng.IntN(8)]
		if f.rng.IntN(150) == 0 {
			e.Outcome = due.Condemned
		}
		if f.rng.IntN(3) == 0 {
			y, m, _ := civil.In(at, time.UTC).Parts()
			e.Mark = civil.Month(y, m)
		}
	default:
		e.Kind, e.Condition, e.Pull = due.Condition, []string{"free-flow", "flooding", "drop"}[f.rng.IntN(3)], f.rng.IntN(4) == 0
		if f.rng.IntN(3) == 0 {
			e.Activities = [][]string{{"inspection"}, {"valve-service", "hydrostatic-test"}, {"calibration"}}[f.rng.IntN(3)]
		}
	}
	return e
}

// shuffled is the same fleet with the ledger in another order.
func (f *feeds) shuffled() *feeds {
	c := *f
	c.history = slices.Clone(f.history)
	f.rng.Shuffle(len(c.history), func(i, j int) { c.history[i], c.history[j] = c.history[j], c.history[i] })
	for i := range c.history {
		c.history[i].Number = int64(i + 1)
	}
	return &c
}

func (f *feeds) of(s compliance.Source) []compliance.Change {
	if s == compliance.Registry {
		return f.registry
	}
	return f.history
}

// page returns up to n changes after a number.
func (f *feeds) page(s compliance.Source, after int64, n int) []compliance.Change {
	all := f.of(s)
	if after >= int64(len(all)) {
		return nil
	}
	return all[after:min(int(after)+n, len(all))]
}

// house is a pack in several revisions: rules of every limit, for all five kinds, with proofs.
func house() []due.Pack {
	first := due.Pack{
		ID: "house", Effective: civil.New(2020, 1, 1), Cautions: []string{"Local code wins."},
		Rules: []due.Rule{
			{ID: "overhaul", Title: "Overhaul", Activity: "overhaul", Authority: due.House, Scope: due.Scope{Kinds: []string{"regulator-set", "first-stage", "second-stage"}}, Months: 12, Limit: due.Amount{Dives: 40}, Lead: due.Amount{Dives: 20}, Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut},
			{ID: "hours", Title: "Hours", Activity: "inspection", Authority: due.House, Scope: due.Scope{Kinds: []string{"second-stage", "bcd"}}, Limit: due.Amount{Hours: 60 * time.Hour, Dives: 200}, Lead: due.Amount{Dives: 150}, Baselines: []due.Baseline{due.FirstUse}, Blocks: due.HandOut,
				Weights: []due.Weight{{Celsius: -5, Percent: 50}, {Celsius: 10, Percent: 100}, {Celsius: 40, Percent: 250}}},
			{ID: "hydro", Title: "Requalification", Activity: "hydrostatic-test", Authority: due.Law, Scope: due.Scope{Kinds: []string{"cylinder"}, Jurisdictions: []string{"US"}}, Months: 60, MonthStamp: true, Baselines: []due.Baseline{due.Manufacture}, Blocks: due.HandOut | due.Fill, HandOutIfFilledBefore: true},
			{ID: "fills", Title: "Fills", Activity: "inspection", Authority: due.House, Scope: due.Scope{Kinds: []string{"cylinder"}, Attributes: map[string][]string{"alloy": {"6351"}}}, Limit: due.Amount{Fills: 10}, Baselines: []due.Baseline{due.Manufacture, due.FirstUse}, Blocks: due.Fill},
			{ID: "life", Title: "Life", Authority: due.House, Scope: due.Scope{Kinds: []string{"cylinder"}}, Months: 84, Baselines: []due.Baseline{due.Manufacture}, Blocks: due.HandOut | due.Fill, EndOfLife: true},
			{ID: "yearly", Title: "Inspection", Activity: "inspection", Authority: due.House, Scope: due.Scope{Kinds: []string{"bcd", "regulator-set"}}, Months: 18, SatisfiedBy: []string{"overhaul"}, Baselines: []due.Baseline{due.Commissioning}, Blocks: due.HandOut},
			{ID: "unfounded", Title: "Valve service", Activity: "valve-service", Authority: due.House, Scope: due.Scope{Attributes: map[string][]string{"alloy": {"6351"}}}, Months: 24, Blocks: due.Fill},
		},
		Proofs: []due.Proof{{Conditions: []string{"free-flow"}, ClearedBy: []string{"overhaul"}}},
	}
	second, third := first, first
	second.Effective = civil.New(2025, 3, 1)
	second.Rules = slices.Clone(first.Rules)
	second.Rules[0].Limit.Dives = 25
	third.Effective = civil.New(2026, 6, 5) // published ahead
	third.Rules = slices.Clone(second.Rules)
	third.Rules[6].Blocks = due.HandOut // its hold says both, its clock one at a time
	third.Rules = slices.Delete(third.Rules, 5, 6)
	return []due.Pack{first, second, third}
}

// world is one database with one store.
type world struct {
	t     testing.TB
	data  *pgtest.Database
	store *compliancepg.Store
}

func newWorld(t testing.TB) *world {
	t.Helper()
	d := pgtest.New(t)
	return &world{t, d, compliancepg.NewStore(d.Open(t, compliancepg.Schema), decode).Recalling(decodeRecall)}
}

// publish publishes revisions of packs, a week apart, the last the day before today.
func (w *world) publish(packs ...due.Pack) {
	w.t.Helper()
	w.publishAt(today.AddDate(0, 0, -1), packs...)
}

// publishAt publishes revisions of packs, a week apart, the last at an instant.
func (w *world) publishAt(last time.Time, packs ...due.Pack) {
	w.t.Helper()
	for i, p := range packs {
		at := last.AddDate(0, 0, -7*(len(packs)-1-i))
		if _, _, err := w.store.Publish(w.t.Context(), org, p.ID, p.Effective, encode(w.t, p), compliance.OwnChange{At: at, Kind: compliance.PackPublished, Subject: p.ID, Actor: "test"}); err != nil {
			w.t.Fatal(err)
		}
	}
}

// apply applies both feeds whole, in pages of random sizes that alternate at random.
func (w *world) apply(f *feeds) {
	w.t.Helper()
	p, err := w.store.Position(w.t.Context(), org)
	if err != nil {
		w.t.Fatal(err)
	}
	for {
		left := slices.DeleteFunc([]compliance.Source{compliance.Registry, compliance.History}, func(s compliance.Source) bool { return p.Of(s) >= int64(len(f.of(s))) })
		if len(left) == 0 {
			return
		}
		s := left[f.rng.IntN(len(left))]
		if p, err = w.store.Apply(w.t.Context(), org, s, f.page(s, p.Of(s), 1+f.rng.IntN(80))); err != nil {
			w.t.Fatal(err)
		}
	}
}

// projected are the tables of the projection.
var projected = []string{"cursors", "p_shops", "p_models", "p_units", "p_fittings", "p_ledger", "p_amendments", "p_lot_uses", "clocks", "unit_holds", "p_ready"}

// rows returns every row of the projection as text, sorted. With arrival false a history is its entries, in whatever order they arrived.
func (w *world) rows(arrival bool) []string {
	w.t.Helper()
	conn, err := pgx.Connect(w.t.Context(), w.data.DSN())
	if err != nil {
		w.t.Fatal(err)
	}
	defer func() { _ = conn.Close(context.WithoutCancel(w.t.Context())) }()
	var out []string
	for _, table := range projected {
		if table == "p_ledger" && !arrival {
			out = append(out, w.entries(conn)...)
			continue
		}
		rows, err := conn.Query(w.t.Context(), `select to_jsonb(t)::text from compliance.`+table+` as t`)
		if err != nil {
			w.t.Fatal(err)
		}
		lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil {
			w.t.Fatal(err)
		}
		for _, l := range lines {
			out = append(out, table+" "+l)
		}
	}
	slices.Sort(out)
	return out
}

// entries returns every stored entry as text.
func (w *world) entries(conn *pgx.Conn) (out []string) {
	w.t.Helper()
	rows, err := conn.Query(w.t.Context(), `select distinct unit_id from compliance.p_ledger`)
	if err != nil {
		w.t.Fatal(err)
	}
	units, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		w.t.Fatal(err)
	}
	w.read(func(ctx context.Context, r *compliancepg.Reader) error {
		stored, err := r.Entries(ctx, units)
		for unit, all := range stored {
			for i := range all {
				out = append(out, fmt.Sprintf("p_ledger %s %x", unit, compliancepg.Code(&all[i])))
			}
		}
		return err
	})
	return out
}

func (w *world) read(fn func(ctx context.Context, r *compliancepg.Reader) error) {
	w.t.Helper()
	if err := w.store.Read(w.t.Context(), org, fn); err != nil {
		w.t.Fatal(err)
	}
}
