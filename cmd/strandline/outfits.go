package main

import (
	"context"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// outfitHelp says how an outfit is written.
const outfitHelp = `An outfit is written as a list of kinds, each with a count before it and a size behind it where they matter: "regulator-set, bcd:M, 2 cylinder:12 L". A size is
written as the units have it.
A unit that it has to be, and no other, is written @TAG. "6: regulator-set, bcd:M" are six such outfits. --want may be given several times.`

var (
	outfitCount = regexp.MustCompile(`^\s*([0-9]+)\s*:(.*)$`)
	outfitItem  = regexp.MustCompile(`^(?:([0-9]+)\s+)?([a-z][a-z0-9-]{0,47})(?::\s*(.*\S))?$`)
)

// wantedOutfit is an outfit as it was written; units are still tags.
type wantedOutfit struct {
	outfit *compliancepb.Outfit
	tags   map[int]string // of items that are one very unit, by their place
}

// parseOutfit reads an outfit.
func parseOutfit(text string) (wantedOutfit, error) {
	w := wantedOutfit{outfit: &compliancepb.Outfit{Count: 1}, tags: map[int]string{}}
	rest := text
	if m := outfitCount.FindStringSubmatch(text); m != nil {
		n, err := strconv.Atoi(m[1])
		if err != nil || n < 1 || n > 100 {
			return w, usagef("--want %q: want 1 to 100 outfits", text)
		}
		w.outfit.Count, rest = int32(n), m[2]
	}
	for _, part := range strings.Split(rest, ",") {
		part = strings.TrimSpace(part)
		if tag, ok := strings.CutPrefix(part, "@"); ok && tag != "" && !strings.Contains(tag, " ") {
			w.tags[len(w.outfit.Items)] = tag
			w.outfit.Items = append(w.outfit.Items, &compliancepb.Outfit_Item{Count: 1})
			continue
		}
		m := outfitItem.FindStringSubmatch(part)
		if m == nil {
			return w, usagef("--want %q: %q is neither a kind such as bcd, bcd:M or 2 cylinder:12 L, nor a unit such as @GB-BCD-021", text, part)
		}
		item := &compliancepb.Outfit_Item{Kind: m[2], Size: m[3], Count: 1}
		if m[1] != "" {
			n, err := strconv.Atoi(m[1])
			if err != nil || n < 1 || n > 20 {
				return w, usagef("--want %q: want 1 to 20 of %s in one outfit", text, m[2])
			}
			item.Count = int32(n)
		}
		w.outfit.Items = append(w.outfit.Items, item)
	}
	if len(w.tags) > 0 && w.outfit.GetCount() > 1 {
		return w, usagef("--want %q: one very unit, @%s, cannot be in %d outfits", text, anyTag(w.tags), w.outfit.GetCount())
	}
	return w, nil
}

// parseOutfits reads what --want and --divers say.
func parseOutfits(wants []string, divers int) ([]wantedOutfit, error) {
	var out []wantedOutfit
	for _, text := range wants {
		w, err := parseOutfit(text)
		if err != nil {
			return nil, err
		}
		out = append(out, w)
	}
	switch {
	case divers == 0:
	case divers < 1 || divers > 100:
		return nil, usagef("--divers %d: want 1 to 100", divers)
	case len(out) != 1 || out[0].outfit.GetCount() > 1:
		return nil, usagef(`--divers goes with one --want that has no number of its own; for outfits that differ write "6: regulator-set, bcd:M"`)
	case len(out[0].tags) > 0 && divers > 1:
		return nil, usagef("--divers %d: one very unit, @%s, cannot be in several outfits", divers, anyTag(out[0].tags))
	default:
		out[0].outfit.Count = int32(divers)
	}
	return out, nil
}

func anyTag(tags map[int]string) string {
	for _, t := range tags {
		return t
	}
	return ""
}

// outfits looks up the units that outfits name.
func (c *clients) outfits(ctx context.Context, wanted []wantedOutfit) ([]*compliancepb.Outfit, error) {
	out := make([]*compliancepb.Outfit, len(wanted))
	for i, w := range wanted {
		out[i] = w.outfit
		for at, tag := range w.tags {
			u, err := c.unit(ctx, tag)
			if err != nil {
				return nil, err
			}
			w.outfit.Items[at].Kind, w.outfit.Items[at].Size, w.outfit.Items[at].Unit = u.GetKind(), u.GetSize(), u.GetName()
		}
	}
	return out, nil
}

// outfitWords writes an outfit as --want takes it.
func outfitWords(o *compliancepb.Outfit) string {
	var parts []string
	for _, i := range o.GetItems() {
		text := i.GetKind()
		if i.GetSize() != "" {
			text += ":" + i.GetSize()
		}
		if i.GetCount() > 1 {
			text = fmt.Sprintf("%d %s", i.GetCount(), text)
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, ", ")
}
