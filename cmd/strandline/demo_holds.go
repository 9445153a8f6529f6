package main

import (
	"slices"
	"strings"
	"time"
)

// printHolds prints what is pulled from service, a unit a line, with what lifts its holds.
func (d *demoReport) printHolds(a *app, width int) {
	if len(d.holds) == 0 {
		a.printf("  Nothing.\n")
		return
	}
	t := newTable("since", "unit", "shop", "~for")
	for i := 0; i < len(d.holds); {
		h := d.holds[i]
		var why []string
		var proofs [][]string
		n := i
		for ; n < len(d.holds) && d.holds[n].GetAssetTag() == h.GetAssetTag(); n++ {
			hold := d.holds[n].GetHold()
			if !slices.Contains(why, hold.GetReason()) {
				why = append(why, hold.GetReason())
			}
			proofs = append(proofs, hold.GetClearedBy())
		}
		i = n
		if lifts := liftsAll(proofs); lifts != "" {
			why = append(why, "Lifted by: "+lifts+".")
		}
		tag := h.GetAssetTag()
		if h.GetHostTag() != "" {
			tag += " in " + h.GetHostTag()
		}
		since := h.GetHold().GetOpenTime().AsTime().In(d.zoneOf(h.GetShop())).Format(time.DateOnly)
		t.row(since, tag, lastID(h.GetShop()), strings.Join(why, " "))
	}
	t.write(a.out, "  ", width)
}

// liftsAll says what lifts all of some holds, each of which any activity of its own list lifts. A list that holds all of another
// asks for nothing that the other does not.
func liftsAll(proofs [][]string) string {
	var out []string
	joint := " and "
	for i, p := range proofs {
		implied := func(j int, q []string) bool { // by a shorter list, or by the same one before
			within := !slices.ContainsFunc(q, func(a string) bool { return !slices.Contains(p, a) })
			return len(q) > 0 && within && (len(q) < len(p) || j < i)
		}
		skip := len(p) == 0
		for j, q := range proofs {
			skip = skip || j != i && implied(j, q)
		}
		if skip {
			continue
		}
		if len(p) > 1 {
			joint = "; and "
		}
		out = append(out, strings.ReplaceAll(strings.Join(p, " or "), "-", " "))
	}
	return strings.Join(out, joint)
}
