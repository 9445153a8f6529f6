package compliancepg

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/errs"
	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/resname"
	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// Allocate promises units: all that is wished for, or none. It joins the transaction in ctx.
func (s *Store) Allocate(ctx context.Context, org tenant.Org, w *compliance.AllocationWish, change compliance.OwnChange) (out []*compliance.Allocation, p compliance.Position, err error) {
	var best func() []*promise.Unit
	p, err = s.promise(ctx, org, change, func(ctx context.Context, t *promising) error {
		group, first, err := t.group(ctx, w)
		if err != nil {
			return err
		}
		// Mostly the best that the database finds suffice; where they do not, all units are looked at, and told of.
		choices, lacks := promise.Fit(w.Wants, best(), w.Expected, w.Window)
		if len(lacks) > 0 || w.Named() {
			choices, err = t.choose(ctx, w)
		}
		if err != nil {
			return err
		}
		out = make([]*compliance.Allocation, len(choices))
		for i, c := range choices {
			id, err := uuid.NewV7()
			if err != nil {
				return errs.New(errs.Internal, "INTERNAL", "no id can be made").Because(err)
			}
			out[i] = &compliance.Allocation{
				ID: id, Group: group, Outfit: first + c.Want.Outfit, Kind: c.Unit.Kind, Size: c.Want.Size, Shop: w.Shop, Unit: c.Unit.ID, Tag: c.Unit.Tag,
				Window: w.Window, Expected: w.Expected, Pinned: c.Want.Unit != uuid.Nil, Reference: w.Reference, Created: t.now, Creator: change.Actor,
			}
			if w.Confirm {
				out[i].State, out[i].Confirmed = compliance.Confirmed, t.now
			} else {
				out[i].State, out[i].Expires = compliance.Held, t.now.Add(w.HoldFor)
			}
		}
		t.added = out
		return nil
	}, func(batch *pgx.Batch) { best = queueBest(batch, org, w, change.At) })
	return out, p, err
}

// candidates asks for the units that might do.
func candidates(w *compliance.AllocationWish, now time.Time) compliance.PromiseQuery {
	return compliance.PromiseQuery{Kinds: kindsOf(w.Wants), Shop: w.Shop, At: w.Start, Now: now}
}

// group returns the group of what is wished for, and how many outfits it has.
func (t *promising) group(ctx context.Context, w *compliance.AllocationWish) (group uuid.UUID, outfits int32, err error) {
	if !w.Join {
		return w.Group, 0, nil
	}
	if err := t.tx.QueryRow(ctx, `select coalesce(max(outfit), 0) from allocations where org_id = $1 and group_id = $2`, t.org.UUID, w.Group).Scan(&outfits); err != nil {
		return group, 0, pg.Err(err)
	}
	if outfits == 0 {
		e := errs.Missing(t.org.Name() + "/allocations/-")
		e.Message = "there is no group " + w.Group.String() + "; leave group out for a new one"
		return group, 0, e
	}
	return w.Group, outfits, nil
}

// choose chooses units of a shop. Units of which their row says that they are free are taken first into account; where those do not suffice, the history
// of the others is asked.
func (t *promising) choose(ctx context.Context, w *compliance.AllocationWish, but ...uuid.UUID) ([]promise.Choice, error) {
	units, err := promiseUnits(ctx, t.tx, t.org, candidates(w, t.now))
	if err != nil {
		return nil, err
	}
	return t.chooseFrom(ctx, w, slices.DeleteFunc(units, func(u *promise.Unit) bool { return slices.Contains(but, u.ID) }))
}

// chooseFrom chooses among units.
func (t *promising) chooseFrom(ctx context.Context, w *compliance.AllocationWish, units []*promise.Unit) ([]promise.Choice, error) {
	var free, unsure []*promise.Unit
	for _, u := range units {
		switch u.For(w.Window, w.Expected, t.now, uuid.Nil) {
		case promise.Yes:
			free = append(free, u)
		case promise.Unsure:
			unsure = append(unsure, u)
		}
	}
	choices, lacks := promise.Fit(w.Wants, free, w.Expected, w.Window)
	if len(lacks) > 0 && len(unsure) > 0 {
		found, err := t.against(ctx, t.each(unsure, w))
		if err != nil {
			return nil, err
		}
		for i, u := range unsure {
			if len(found[i]) == 0 {
				free = append(free, u)
			}
		}
		choices, lacks = promise.Fit(w.Wants, free, w.Expected, w.Window)
	}
	if len(lacks) == 0 {
		return choices, nil
	}
	return nil, t.lacking(ctx, w, units, free, lacks)
}

func (t *promising) each(units []*promise.Unit, w *compliance.AllocationWish) []asked {
	out := make([]asked, len(units))
	for i, u := range units {
		out[i] = asked{unit: u, as: unitAs{shop: w.Shop}, window: w.Window, expected: w.Expected}
	}
	return out
}

func kindsOf(wants []promise.Want) []string {
	var out []string
	for _, w := range wants {
		if !slices.Contains(out, w.Kind) {
			out = append(out, w.Kind)
		}
	}
	return out
}

// explained is of how many units that cannot be had an error counts the reasons.
const explained = 200

// lacking says what is missing, and why.
func (t *promising) lacking(ctx context.Context, w *compliance.AllocationWish, units, free []*promise.Unit, lacks []promise.Lack) error {
	if err := t.shop(ctx, w.Shop); err != nil {
		return err
	}
	var all []errs.Violation
	for _, l := range lacks {
		if l.Unit != uuid.Nil {
			vs, err := t.lackingUnit(ctx, w, l)
			if err != nil {
				return err
			}
			all = append(all, vs...)
			continue
		}
		var others []*promise.Unit
		for _, u := range units {
			if u.Kind == l.Kind && (l.Size == "" || u.Size == l.Size) && !slices.Contains(free, u) {
				others = append(others, u)
			}
		}
		text := due.CountKind(int64(l.Wanted), l.Kind, l.Size) + " wanted, and "
		switch {
		case l.Free == 0 && len(others) == 0:
			text += w.Shop + " has none"
		case len(others) == 0:
			text += fmt.Sprintf("%d can be promised at %s for the window; there are no others", l.Free, w.Shop)
		default:
			why, err := t.why(ctx, w, others)
			if err != nil {
				return err
			}
			text += fmt.Sprintf("%d can be promised at %s for the window; the others: %s", l.Free, w.Shop, why)
		}
		all = append(all, errs.Violation{Field: "kinds/" + strings.Trim(l.Kind+"/"+l.Size, "/"), Description: text, Reason: "NOT_AVAILABLE"})
	}
	return notAvailable("not everything that was asked for can be promised: "+all[0].Description, all)
}

// lackingUnit says why one unit cannot be had.
func (t *promising) lackingUnit(ctx context.Context, w *compliance.AllocationWish, l promise.Lack) ([]errs.Violation, error) {
	units, err := promiseUnits(ctx, t.tx, t.org, compliance.PromiseQuery{Units: []uuid.UUID{l.Unit}, Now: t.now})
	if err != nil {
		return nil, err
	}
	if len(units) == 0 {
		return nil, errs.Missing(resname.UnitName(t.org, l.Unit))
	}
	u := units[0]
	if u.Kind != l.Kind || l.Size != "" && u.Size != l.Size {
		return []errs.Violation{{Field: "units/" + u.Tag, Description: fmt.Sprintf("%s is a %s, and a %s is asked for", u.Tag, kindAndSize(u.Kind, u.Size), kindAndSize(l.Kind, l.Size)), Reason: "NOT_AVAILABLE"}}, nil
	}
	found, err := t.against(ctx, t.each(units, w))
	if err != nil {
		return nil, err
	}
	if len(found[0]) == 0 {
		return []errs.Violation{{Field: "units/" + u.Tag, Description: u.Tag + " is asked for more than once", Reason: "NOT_AVAILABLE"}}, nil
	}
	return violations(u, found[0]), nil
}

func kindAndSize(kind, size string) string {
	if size == "" {
		return due.KindWords(kind, 1)
	}
	return due.KindWords(kind, 1) + " of size " + size
}

// why counts for what reasons units cannot be had, the most frequent first.
func (t *promising) why(ctx context.Context, w *compliance.AllocationWish, units []*promise.Unit) (string, error) {
	if len(units) > explained {
		units = units[:explained]
	}
	found, err := t.against(ctx, t.each(units, w))
	if err != nil {
		return "", err
	}
	count := map[string]int{}
	for _, all := range found {
		seen := map[string]bool{}
		for _, c := range all {
			if !seen[c.Code] {
				seen[c.Code] = true
				count[c.Code]++
			}
		}
	}
	codes := make([]string, 0, len(count))
	for code := range count {
		codes = append(codes, code)
	}
	slices.SortFunc(codes, func(a, b string) int {
		if count[a] != count[b] {
			return count[b] - count[a]
		}
		return strings.Compare(a, b)
	})
	for i, code := range codes {
		codes[i] = fmt.Sprintf("%d %s", count[code], due.Code(code).Words())
	}
	return strings.Join(codes, ", "), nil
}

// shop says that a shop is not there, if it is not.
func (t *promising) shop(ctx context.Context, shop string) error {
	var found bool
	err := t.tx.QueryRow(ctx, `select true from p_shops where org_id = $1 and shop = $2`, t.org.UUID, shop).Scan(&found)
	return one(err, resname.ShopName(t.org, shop))
}
