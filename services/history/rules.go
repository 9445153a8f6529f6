package history

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/tenant"
)

// Skew is how far in the future an instant may lie: clocks of benches and tills are never quite right.
const Skew = 5 * time.Minute

// Problem is what is wrong with one entry.
type Problem struct {
	Field       string // path below the entry, as in the proto
	Value       string
	Description string // what is wrong, and what to do
	Reason      string // name of a strandline.type.v1.Reason without its prefix
}

// Unit is what the registry says of a unit.
type Unit struct {
	Shops        []string   // every shop it has been at, the first one first, the present one last
	Commissioned civil.Mark // in the time zone of the first shop
	Start        time.Time  // when it is commissioned, where that is known as an instant; Commissioned then does not count
	Retired      time.Time  // zero while in the fleet
	Planned      bool       // it does not exist yet
	Kind         string     // of equipment
	Model        string     // id of its model
}

// Shop returns where the unit is now, or "".
func (u *Unit) Shop() string {
	if len(u.Shops) == 0 {
		return ""
	}
	return u.Shops[len(u.Shops)-1]
}

// Registry says what exists. Its errors are *errs.E; Unavailable if it cannot be asked.
type Registry interface {
	// Units returns those of the units that exist. It is asked for at most 1,000.
	Units(ctx context.Context, org tenant.Org, ids []uuid.UUID) (map[uuid.UUID]Unit, error)
	// Shops returns the time zones of those of the shops that exist.
	Shops(ctx context.Context, org tenant.Org, ids []string) (map[string]*time.Location, error)
}

// facts is what the registry said about a batch.
type facts struct {
	units map[uuid.UUID]Unit
	shops map[string]*time.Location // only those that somebody needed
}

// gather asks the registry all that the rules need to know of the drafts: once for the units and, seldom, once for shops.
func gather(ctx context.Context, r Registry, org tenant.Org, drafts []Draft, planned map[uuid.UUID]time.Time) (facts, error) {
	f := facts{units: map[uuid.UUID]Unit{}}
	var ids []uuid.UUID
	seen := make(map[uuid.UUID]struct{}, len(drafts))
	for i := range drafts {
		d := &drafts[i]
		if _, ok := seen[d.Entry.Unit]; ok || len(d.Problems) > 0 {
			continue
		}
		seen[d.Entry.Unit] = struct{}{}
		if start, ok := planned[d.Entry.Unit]; ok {
			f.units[d.Entry.Unit] = Unit{Start: start, Planned: true}
			continue
		}
		ids = append(ids, d.Entry.Unit)
	}
	if len(ids) > 0 {
		known, err := r.Units(ctx, org, ids)
		if err != nil {
			return facts{}, err
		}
		for id, u := range known {
			f.units[id] = u
		}
	}
	wanted := map[string]struct{}{}
	for i := range drafts {
		d := &drafts[i]
		u, ok := f.units[d.Entry.Unit]
		if !ok || len(d.Problems) > 0 {
			continue
		}
		if s := d.Entry.Shop; s != "" && !u.Planned && !slices.Contains(u.Shops, s) {
			wanted[s] = struct{}{}
		}
		if nearCommissioning(&u, d.Entry.Occurred) || replaces(&d.Entry) && nearCommissioning(&u, d.Entry.Amendment.Replacement.Occurred) {
			wanted[u.Shops[0]] = struct{}{}
		}
	}
	if len(wanted) > 0 {
		names := make([]string, 0, len(wanted))
		for s := range wanted {
			names = append(names, s)
		}
		slices.Sort(names)
		shops, err := r.Shops(ctx, org, names)
		if err != nil {
			return facts{}, err
		}
		f.shops = shops
	}
	return f, nil
}

func replaces(e *Entry) bool { return e.Amendment != nil && e.Amendment.Replacement != nil }

// A day begins somewhere between 14 hours before it does in UTC and 12 hours after (and two hours cover what zones did with
// their midnights). Outside of that the zone does not matter, and nobody has to be asked for it.
const (
	earliestZone = -16 * time.Hour
	latestZone   = 14 * time.Hour
)

// nearCommissioning says whether it takes the shop's time zone to tell if t is before the unit's first day.
func nearCommissioning(u *Unit, t time.Time) bool {
	if !u.Start.IsZero() || u.Commissioned.IsZero() || len(u.Shops) == 0 {
		return false
	}
	utc := u.Commissioned.First().Start(time.UTC)
	return !t.Before(utc.Add(earliestZone)) && t.Before(utc.Add(latestZone))
}

// before says whether t lies before the unit was commissioned.
func (f *facts) before(u *Unit, t time.Time) bool {
	switch {
	case !u.Start.IsZero():
		return t.Before(u.Start)
	case u.Commissioned.IsZero():
		return false
	case nearCommissioning(u, t):
		zone := f.shops[u.Shops[0]]
		if zone == nil {
			return true // the registry does not know its own shop: nothing vouches for the entry
		}
		return t.Before(u.Commissioned.First().Start(zone))
	}
	return t.Before(u.Commissioned.First().Start(time.UTC))
}

// judge holds the rules against an entry, apart from those that need the ledger.
func (f *facts) judge(org tenant.Org, e *Entry, now time.Time) (ps []Problem) {
	u, ok := f.units[e.Unit]
	if !ok {
		return []Problem{{"name", unitName(org, e.Unit), "there is no such unit; register it first", "NOT_FOUND"}}
	}
	if s := e.Shop; s != "" && !u.Planned && !slices.Contains(u.Shops, s) {
		if _, ok := f.shops[s]; !ok {
			ps = append(ps, Problem{"shop", org.Name() + "/shops/" + s, "there is no such shop; name one of the org's, or none for where the unit is", "INVALID_FIELD"})
		}
	}
	ps = f.judgeDetail(ps, "", &u, e.Occurred, &e.Detail, now)
	if replaces(e) {
		r := e.Amendment.Replacement
		ps = f.judgeDetail(ps, "amendment.replacement.", &u, r.Occurred, &r.Detail, now)
	}
	return ps
}

func (f *facts) judgeDetail(ps []Problem, at string, u *Unit, occurred time.Time, d *Detail, now time.Time) []Problem {
	switch {
	case occurred.After(now.Add(Skew)):
		ps = append(ps, Problem{at + "occurred_time", instant(occurred), "lies in the future (it is " + instant(now) + "); say when it happened", "IN_THE_FUTURE"})
	case f.before(u, occurred):
		ps = append(ps, Problem{at + "occurred_time", instant(occurred), "lies before the unit was commissioned (" + u.commissioned() + "); correct the entry, or the unit's commission_date", "BEFORE_COMMISSIONING"})
	case d.Usage != nil && !u.Retired.IsZero() && !occurred.Before(u.Retired):
		ps = append(ps, Problem{at + "occurred_time", instant(occurred), "the unit was retired at " + instant(u.Retired) + " and takes no usage from then on; only what happened before can still be logged", "UNIT_RETIRED"})
	}
	if d.Usage != nil {
		ps = d.Usage.judge(ps, at+"usage.")
	}
	for _, w := range [...]struct {
		field string
		work  *Work
	}{{"service", d.Service}, {"test", d.Test}} {
		// A mark that is not yet anywhere on Earth would make intervals start late.
		if w.work != nil && !w.work.Mark.IsZero() && w.work.Mark.First() > civil.In(now.Add(Skew), east) {
			ps = append(ps, Problem{at + w.field + ".mark_date", w.work.Mark.String(), "lies in the future (it is " + instant(now) + "); give the date marked on the unit", "IN_THE_FUTURE"})
		}
	}
	return ps
}

// east is where a day begins first.
var east = time.FixedZone("UTC+14", 14*60*60)

func (u *Unit) commissioned() string {
	if !u.Start.IsZero() {
		return instant(u.Start)
	}
	return u.Commissioned.String()
}

func instant(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }

func unitName(org tenant.Org, unit uuid.UUID) string { return org.Name() + "/units/" + unit.String() }

func entryName(org tenant.Org, unit, entry uuid.UUID) string {
	return unitName(org, unit) + "/entries/" + entry.String()
}

// mostViolations is how many violations an error lists.
const mostViolations = 100

// rejection returns the error that a batch with problems is refused with. Its reason is the problems' own if they agree; units
// that do not exist, and nothing else, are NotFound.
func rejection(problems [][]Problem) error {
	var vs []errs.Violation
	total, missing := 0, true
	for i, ps := range problems {
		for _, p := range ps {
			total++
			missing = missing && p.Reason == "NOT_FOUND"
			if len(vs) < mostViolations {
				vs = append(vs, errs.Violation{Field: fmt.Sprintf("entries[%d].%s", i, p.Field), Value: p.Value, Description: p.Description, Reason: p.Reason})
			}
		}
	}
	if total == 0 {
		return nil
	}
	e := errs.Fields(vs...)
	e.Meta["violationCount"] = fmt.Sprint(total)
	if missing {
		e.Kind, e.Resource = errs.NotFound, vs[0].Value
		e.Meta["resource"] = e.Resource
	}
	return e
}
