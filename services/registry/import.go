package registry

import (
	"cmp"
	"context"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
)

// MaxProblems is how many problems an import lists; it counts all.
const MaxProblems = 1000

// batch is how many records an import looks up and writes at a time.
const batch = 2000

// Record is one record of an import. At most one of the pointers is set; none is if Problems says why the row cannot be
// read at all.
type Record struct {
	Row        int64
	Problems   Problems // what was found wrong before the rules; a record with problems is not written
	Shop       *Shop
	Model      *Model
	Technician *Technician
	Unit       *Unit // a zero ID is chosen here
	Fitting    *FittingByTag
}

// FittingByTag is a fitting as a spreadsheet has it.
type FittingByTag struct {
	Part, Host string // asset tags
	Place      string
	From, To   time.Time
}

// Records is where an import's records come from. Each may be called several times and gives the same records each time.
type Records interface {
	Each(ctx context.Context, fn func(Record) error) error
}

// RowProblem is a problem and the row it stands in.
type RowProblem struct {
	Row int64
	Problem
}

// Outcome is what an import did, or would do.
type Outcome struct {
	Created   int64
	Unchanged int64
	Problems  []RowProblem // by row; at most MaxProblems
	Count     int64        // of all problems
	Position  int64
}

// ErrRejected is returned by Import when there are problems, so that nothing is written; the outcome lists them.
var ErrRejected = errs.New(errs.Invalid, "IMPORT_REJECTED", "rows of the import have problems; nothing was written")

// Import brings records in, whole or not at all. Shops, models and technicians are matched to existing ones by id, units
// by asset tag, fittings by part, host and the instant they began. The order of the records does not matter. With any
// problem it returns the outcome and ErrRejected. It must run in a transaction that the error rolls back.
func (r *Registry) Import(ctx context.Context, org tenant.Org, now time.Time, records Records) (Outcome, error) {
	var out Outcome
	position, err := r.store.Write(ctx, org, now, func(ctx context.Context, tx Tx) error {
		im := &importer{
			tx: tx, org: org, now: now, seen: map[string]int64{}, refused: map[string]struct{}{}, fits: map[fitKey]int64{},
		}
		err := im.run(ctx, records)
		out = im.out
		return err
	})
	out.Position = position
	return out, err
}

type importer struct {
	tx      Tx
	org     tenant.Org
	now     time.Time
	out     Outcome
	seen    map[string]int64    // "units/TAG" -> the row that has it; also shops, models, technicians
	refused map[string]struct{} // what had a problem of its own, so that those who name it are not blamed
	fits    map[fitKey]int64    // fittings of the file -> row
}

type fitKey struct {
	part, host uuid.UUID
	from       int64
}

func (im *importer) run(ctx context.Context, records Records) error {
	passes := []func(context.Context, []Record) error{im.basics, im.units, im.fittings}
	for pass, take := range passes {
		var pending []Record
		err := records.Each(ctx, func(rec Record) error {
			if pass == 0 && len(rec.Problems) > 0 {
				im.refuse(rec, rec.Problems)
			}
			if passOf(rec) != pass || len(rec.Problems) > 0 {
				return nil
			}
			if pending = append(pending, rec); len(pending) < batch {
				return nil
			}
			err := take(ctx, pending)
			pending = pending[:0]
			return err
		})
		if err == nil && len(pending) > 0 {
			err = take(ctx, pending)
		}
		if err != nil {
			return err
		}
	}
	slices.SortStableFunc(im.out.Problems, func(a, b RowProblem) int { return cmp.Compare(a.Row, b.Row) })
	if im.out.Count > 0 {
		return ErrRejected
	}
	return nil
}

func passOf(rec Record) int {
	switch {
	case rec.Unit != nil:
		return 1
	case rec.Fitting != nil:
		return 2
	}
	return 0
}

// key names what a record is about, or is "".
func key(rec Record) string {
	switch {
	case rec.Shop != nil:
		return "shops/" + rec.Shop.ID
	case rec.Model != nil:
		return "models/" + rec.Model.ID
	case rec.Technician != nil:
		return "technicians/" + rec.Technician.ID
	case rec.Unit != nil:
		return "units/" + rec.Unit.Tag
	}
	return ""
}

func prefix(rec Record) string {
	switch {
	case rec.Shop != nil:
		return "shop."
	case rec.Model != nil:
		return "model."
	case rec.Technician != nil:
		return "technician."
	case rec.Unit != nil:
		return "unit."
	case rec.Fitting != nil:
		return "fitting."
	}
	return ""
}

// refuse notes problems; their fields are complete paths.
func (im *importer) refuse(rec Record, ps Problems) {
	if k := key(rec); k != "" {
		im.refused[k] = struct{}{}
	}
	for _, p := range ps {
		im.out.Count++
		if len(im.out.Problems) < MaxProblems {
			im.out.Problems = append(im.out.Problems, RowProblem{rec.Row, p})
		}
	}
}

// repeated refuses a record about something that an earlier row is about already.
func (im *importer) repeated(rec Record, field, value, reason string) bool {
	k := key(rec)
	first, ok := im.seen[k]
	if !ok {
		im.seen[k] = rec.Row
		return false
	}
	p := exists(prefix(rec)+field, im.org.Name()+"/"+k)
	p.Value, p.Reason, p.Description = value, reason, value+" stands in row "+strconv.FormatInt(first, 10)+" already; leave one of them out"
	im.refuse(rec, Problems{p})
	return true
}

// judge compares a record with what exists: same content counts as unchanged, other content is a problem.
func (im *importer) judge(rec Record, d differences, resource string) {
	if len(d) == 0 {
		im.out.Unchanged++
		return
	}
	im.refuse(rec, d.problems(resource).Under(prefix(rec)))
}

// basics takes shops, models and technicians.
func (im *importer) basics(ctx context.Context, recs []Record) error {
	var shopIDs, modelIDs, technicianIDs []string
	for _, rec := range recs {
		switch {
		case rec.Shop != nil:
			shopIDs = append(shopIDs, rec.Shop.ID)
		case rec.Model != nil:
			modelIDs = append(modelIDs, rec.Model.ID)
		case rec.Technician != nil:
			technicianIDs = append(technicianIDs, rec.Technician.ID)
		}
	}
	haveShops, err := im.tx.Shops(ctx, shopIDs)
	if err != nil {
		return err
	}
	haveModels, err := im.tx.Models(ctx, modelIDs)
	if err != nil {
		return err
	}
	haveTechnicians, err := im.tx.Technicians(ctx, technicianIDs)
	if err != nil {
		return err
	}
	var shops []Shop
	var models []Model
	var technicians []Technician
	var changes []Change
	for _, rec := range recs {
		switch {
		case rec.Shop != nil:
			s := *rec.Shop
			if im.repeated(rec, "name", s.ID, "ALREADY_EXISTS") {
				continue
			}
			if old, ok := haveShops[s.ID]; ok {
				im.judge(rec, s.diff(old), resname.ShopName(im.org, s.ID))
				continue
			}
			if ps := s.check(); len(ps) > 0 {
				im.refuse(rec, ps.Under("shop."))
				continue
			}
			s.Version, s.Created, s.Updated = 1, im.now, im.now
			shops, changes = append(shops, s), append(changes, Change{Shop: &s})
		case rec.Model != nil:
			m := *rec.Model
			if im.repeated(rec, "name", m.ID, "ALREADY_EXISTS") {
				continue
			}
			if old, ok := haveModels[m.ID]; ok {
				im.judge(rec, m.diff(old), resname.ModelName(im.org, m.ID))
				continue
			}
			if ps := m.check(); len(ps) > 0 {
				im.refuse(rec, ps.Under("model."))
				continue
			}
			m.Version, m.Created, m.Updated = 1, im.now, im.now
			models, changes = append(models, m), append(changes, Change{Model: &m})
		case rec.Technician != nil:
			t := *rec.Technician
			if im.repeated(rec, "name", t.ID, "ALREADY_EXISTS") {
				continue
			}
			if old, ok := haveTechnicians[t.ID]; ok {
				im.judge(rec, t.diff(old), resname.TechnicianName(im.org, t.ID))
				continue
			}
			if ps := t.check(); len(ps) > 0 {
				im.refuse(rec, ps.Under("technician."))
				continue
			}
			t.Version, t.Created, t.Updated = 1, im.now, im.now
			technicians, changes = append(technicians, t), append(changes, Change{Technician: &t})
		}
	}
	if len(changes) == 0 {
		return nil
	}
	im.out.Created += int64(len(changes))
	if err := im.tx.InsertShops(ctx, shops); err != nil {
		return err
	}
	if err := im.tx.InsertModels(ctx, models); err != nil {
		return err
	}
	if err := im.tx.InsertTechnicians(ctx, technicians); err != nil {
		return err
	}
	return im.tx.Record(ctx, changes...)
}

// units takes units.
func (im *importer) units(ctx context.Context, recs []Record) error {
	tags, ids, all := make([]string, len(recs)), []uuid.UUID{}, make([]Unit, len(recs))
	for i, rec := range recs {
		tags[i], all[i] = rec.Unit.Tag, *rec.Unit
		if rec.Unit.ID != uuid.Nil {
			ids = append(ids, rec.Unit.ID)
		}
	}
	c, err := catalogueFor(ctx, im.tx, im.org, im.now, all)
	if err != nil {
		return err
	}
	byTag, err := im.tx.UnitsByTag(ctx, tags)
	if err != nil {
		return err
	}
	byID, err := im.tx.Units(ctx, ids)
	if err != nil {
		return err
	}
	var fresh []Unit
	for _, rec := range recs {
		u := *rec.Unit
		if im.repeated(rec, "asset_tag", u.Tag, "ASSET_TAG_TAKEN") {
			continue
		}
		if old, ok := im.match(u, byTag[u.Tag]); ok {
			if u.ID != uuid.Nil && u.ID != old.ID {
				im.refuse(rec, Problems{tagTaken("unit.asset_tag", u.Tag, resname.UnitName(im.org, old.ID))})
				continue
			}
			im.judge(rec, u.diff(im.org, old), resname.UnitName(im.org, old.ID))
			continue
		}
		if u.ID == uuid.Nil {
			if u.ID, err = newID(); err != nil {
				return err
			}
		} else if _, taken := byID[u.ID]; taken {
			im.refuse(rec, Problems{exists("unit.name", resname.UnitName(im.org, u.ID))})
			continue
		}
		u.begin(im.now)
		if ps := im.unblamed(c.check(&u)); len(ps) > 0 {
			im.refuse(rec, ps.Under("unit."))
			continue
		}
		if !c.has(u) { // its model or shop was refused, and the whole import with it
			im.refused[key(rec)] = struct{}{}
			continue
		}
		byID[u.ID] = u
		fresh = append(fresh, u)
	}
	im.out.Created += int64(len(fresh))
	return insertUnits(ctx, im.tx, fresh)
}

// match returns the unit that a record of the same tag is about: the living one, or else a retired one with the same
// content (a file that is brought in again after a unit was retired). A retired unit with other content gave its tag away.
func (im *importer) match(u Unit, have []Unit) (Unit, bool) {
	for _, old := range have {
		if old.Living() {
			return old, true
		}
	}
	for _, old := range have {
		if len(u.diff(im.org, old)) == 0 {
			return old, true
		}
	}
	return Unit{}, false
}

// unblamed leaves out what is missing only because its own row was refused.
func (im *importer) unblamed(ps Problems) Problems {
	return slices.DeleteFunc(ps, func(p Problem) bool {
		if p.Reason != "NOT_FOUND" {
			return false
		}
		_, refused := im.refused[p.Resource[len(im.org.Name())+1:]]
		return refused
	})
}

// fittings takes fittings, each held against those before it.
func (im *importer) fittings(ctx context.Context, recs []Record) error {
	tags := map[string]struct{}{}
	for _, rec := range recs {
		tags[rec.Fitting.Part], tags[rec.Fitting.Host] = struct{}{}, struct{}{}
	}
	byTag, err := im.tx.UnitsByTag(ctx, keys(tags))
	if err != nil {
		return err
	}
	known, units := map[string]Unit{}, map[uuid.UUID]Unit{}
	for tag, us := range byTag {
		u := us[0]
		for _, other := range us[1:] {
			if other.Living() || !u.Living() && other.Retired.After(u.Retired) {
				u = other
			}
		}
		known[tag], units[u.ID] = u, u
	}
	b, err := benchFor(ctx, im.tx, im.org, im.now, units)
	if err != nil {
		return err
	}
	var fresh []Fitting
	for _, rec := range recs {
		f, ok := im.resolve(rec, known)
		if !ok {
			continue
		}
		k := fitKey{f.Part, f.Host, f.From.UnixMicro()}
		if first, again := im.fits[k]; again {
			p := exists("fitting.part_tag", "")
			p.Value, p.Description = rec.Fitting.Part, "the same part, host and instant stand in row "+strconv.FormatInt(first, 10)+" already; leave one of them out"
			im.refuse(rec, Problems{p})
			continue
		}
		im.fits[k] = rec.Row
		if i := slices.IndexFunc(b.above[f.Part], func(o Fitting) bool { return o.Host == f.Host && o.From.Equal(f.From) }); i >= 0 {
			old := b.above[f.Part][i]
			im.judge(rec, f.diff(old), resname.FittingName(im.org, old.Part, old.ID))
			continue
		}
		if ps := b.check(f, "part_tag", "host_tag"); len(ps) > 0 {
			im.refuse(rec, ps.Under("fitting."))
			continue
		}
		if f.ID, err = newID(); err != nil {
			return err
		}
		b.above[f.Part] = append(b.above[f.Part], f)
		fresh = append(fresh, f)
	}
	if len(fresh) == 0 {
		return nil
	}
	im.out.Created += int64(len(fresh))
	if err := im.tx.InsertFittings(ctx, fresh); err != nil {
		return err
	}
	changes := make([]Change, len(fresh))
	for i := range fresh {
		changes[i].Fitting = &fresh[i]
	}
	return im.tx.Record(ctx, changes...)
}

// resolve turns tags into units.
func (im *importer) resolve(rec Record, known map[string]Unit) (Fitting, bool) {
	g := rec.Fitting
	var ps Problems
	ok := true
	for _, x := range []struct{ field, tag string }{{"fitting.part_tag", g.Part}, {"fitting.host_tag", g.Host}} {
		if _, found := known[x.tag]; found {
			continue
		}
		ok = false
		if _, refused := im.refused["units/"+x.tag]; refused {
			continue
		}
		p := missing(x.field, "")
		p.Value, p.Description = x.tag, "no unit carries asset tag "+x.tag
		ps = append(ps, p)
	}
	im.refuse(rec, ps)
	return Fitting{Part: known[g.Part].ID, Host: known[g.Host].ID, Place: g.Place, From: g.From, To: g.To}, ok
}

func (f Fitting) diff(o Fitting) (d differences) {
	d.text("place", f.Place, o.Place)
	d.text("unfit_time", printedTime(f.To), printedTime(o.To))
	return d
}

func printedTime(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.Format(time.RFC3339Nano)
}
