package compliance

import (
	"math"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/forecast"
)

// PeerQuery asks for what units of a kind were used for.
type PeerQuery struct {
	Kind  string
	Shop  string    // whose units come first
	Zone  string    // of the shop: only shops with the same seasons count
	At    time.Time // units of the fleet then
	Known time.Time // the fleet as it was known then; zero for all
	Since time.Time // uses from then on
	Limit int
}

// peerLimit is of how many units of its kind at most a unit's forecast is made. Fifty three-year histories show a kind's season and its
// bursts well; more cost more and say little.
const peerLimit = 50

// UsageForecast is when one usage limit of a clock, not reached yet, will be.
type UsageForecast struct {
	Clock   *due.Clock
	Measure due.Measure
	Left    int64 // dives, whole hours or fills, rounded down
	Outlook *forecast.Outlook
}

// Sentence tells it so that it can be read aloud, with the chance that it comes before a day.
func (f *UsageForecast) Sentence(before civil.Date) string {
	of := forecast.Dives
	switch f.Measure {
	case due.Hours:
		of = forecast.Hours
	case due.Fills:
		of = forecast.Fills
	}
	return f.Outlook.Sentence(f.Left, of, before)
}

// measures are all of them, in the order they are told.
var measures = [...]due.Measure{due.Dives, due.Hours, due.Fills}

// amountOf returns one measure of an amount: dives, hours or fills.
func amountOf(a *due.Amount, m due.Measure) float64 {
	switch m {
	case due.Dives:
		return float64(a.Dives)
	case due.Hours:
		return a.Hours.Hours()
	}
	return float64(a.Fills)
}

// Forecasts returns the forecasts of clocks as they stand on a day, clock by clock: one for each usage limit that is not reached yet. A
// clock that has nothing to count from has none. Input returns what a unit was derived from, peers what other units of its kind were used for (it
// may hold the unit itself, which is left out); it is asked only for kinds that have a forecast.
func Forecasts(clocks []*due.Clock, on civil.Date, at, known time.Time, input func(uuid.UUID) due.Input, peers func(PeerQuery) ([]due.Input, error)) ([]UsageForecast, error) {
	f := forecaster{on: on, at: at, known: known, input: input, peers: peers, units: map[uuid.UUID]*forecasted{}, kinds: map[PeerQuery][]due.Input{}}
	var out []UsageForecast
	for _, c := range clocks {
		if c.AnchorDate.IsZero() {
			continue
		}
		for _, m := range measures {
			limit, used := amountOf(&c.Limit, m), amountOf(&c.Used, m)
			if limit <= 0 || used >= limit {
				continue
			}
			o, err := f.outlook(c, m, limit-used)
			if err != nil {
				return nil, err
			}
			if o == nil {
				continue
			}
			out = append(out, UsageForecast{Clock: c, Measure: m, Left: int64(math.Floor(limit - used)), Outlook: o})
		}
	}
	return out, nil
}

// forecaster makes the forecasts of one answer, and keeps what several of them need.
type forecaster struct {
	on        civil.Date
	at, known time.Time
	input     func(uuid.UUID) due.Input
	peers     func(PeerQuery) ([]due.Input, error)
	units     map[uuid.UUID]*forecasted
	kinds     map[PeerQuery][]due.Input
}

// forecasted is a unit with what it and its peers went through; kinds are by measure, for rules that do not weigh.
type forecasted struct {
	input due.Input
	peers []due.Input
	own   [len(measures) + 1]*forecast.History
	kind  [len(measures) + 1]*forecast.Kind
}

func (f *forecaster) outlook(c *due.Clock, m due.Measure, left float64) (*forecast.Outlook, error) {
	u := f.units[c.Unit]
	if u == nil {
		u = &forecasted{input: f.input(c.Unit)}
		facts := factsOf(&u.input)
		if facts == nil {
			return nil, nil
		}
		stay := stayAt(facts.Stays, f.at)
		q := PeerQuery{Kind: facts.Kind, Shop: stay.Shop, Zone: zoneName(stay.Zone), At: f.at, Known: f.known, Since: f.at.AddDate(0, 0, -forecast.Window-2), Limit: peerLimit}
		all, ok := f.kinds[q]
		if !ok {
			var err error
			if all, err = f.peers(q); err != nil {
				return nil, err
			}
			f.kinds[q] = all
		}
		for i := range all {
			if all[i].Unit != c.Unit {
				u.peers = append(u.peers, all[i])
			}
		}
		f.units[c.Unit] = u
	}
	if m == due.Hours && len(c.Rule.Weights) > 0 {
		own, kind := f.learn(u, m, c.Rule)
		return kind.Outlook(own, left, false), nil
	}
	if u.kind[m] == nil {
		u.own[m], u.kind[m] = f.learn(u, m, &due.Rule{})
	}
	return u.kind[m].Outlook(u.own[m], left, m != due.Hours), nil
}

// learn returns a unit's history in a measure, as a rule weighs it, and what it and its peers tell of the kind.
func (f *forecaster) learn(u *forecasted, m due.Measure, r *due.Rule) (*forecast.History, *forecast.Kind) {
	own := f.history(u.input, m, r)
	peers := make([]forecast.History, 0, len(u.peers))
	for _, p := range u.peers {
		peers = append(peers, *f.history(p, m, r))
	}
	return own, forecast.Learn(own, peers, f.on)
}

// history returns what a unit was used for in a measure, as a rule weighs it. It is known from when the unit was commissioned, or from its first use if
// that was earlier or nothing says when. The difference of two meter readings was used between them; a meter's first reading stands
// for the time since the unit was commissioned, and for nothing known without that.
func (f *forecaster) history(in due.Input, m due.Measure, r *due.Rule) *forecast.History {
	h := &forecast.History{From: f.on}
	facts := factsOf(&in)
	if facts != nil && !facts.Commissioned.IsZero() {
		h.From = min(h.From, facts.Commissioned.First())
	}
	commissioned := h.From
	type meter struct {
		unit uuid.UUID
		read civil.Date
	}
	var meters []meter
	for _, c := range due.CountedBy(in, f.at, f.known, &due.Clock{Rule: r}) {
		amount := amountOf(&c.Amount, m)
		if amount <= 0 {
			continue
		}
		use := forecast.Use{First: c.On, Last: c.On, Amount: amount, Estimated: c.Estimated}
		if c.Metered {
			before := commissioned
			seen := false
			for i := range meters {
				if meters[i].unit == c.Unit {
					before, seen = min(c.On, meters[i].read+1), true
					meters[i].read = c.On
				}
			}
			if !seen {
				meters = append(meters, meter{c.Unit, c.On})
				if commissioned >= c.On {
					h.From = min(h.From, c.On+1)
					continue
				}
			}
			use.First = min(before, c.On)
		}
		h.From = min(h.From, use.First)
		h.Uses = append(h.Uses, use)
	}
	return h
}

func factsOf(in *due.Input) *due.Facts {
	for i := range in.Units {
		if in.Units[i].Unit == in.Unit {
			return &in.Units[i]
		}
	}
	return nil
}

// stayAt returns where a unit is at an instant.
func stayAt(stays []due.Stay, at time.Time) (s due.Stay) {
	for i := range stays {
		if i == 0 || !stays[i].From.After(at) {
			s = stays[i]
		}
	}
	return s
}

func zoneName(z *time.Location) string {
	if z == nil {
		return ""
	}
	return z.String()
}
