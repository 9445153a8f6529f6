package registryrpc

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"strandline.example/strandline/internal/errs"
)

// settable is what an update of one resource type can set.
type settable struct {
	fields  []string          // paths that can be set
	maps    []string          // of these, maps: `field.key` sets or removes one key
	fixed   map[string]string // paths that other RPCs set, and which
	ignored []string          // paths that clients send back with the rest: output only, or the name
}

// edits says which fields an update sets.
type edits struct {
	all  bool
	set  map[string]bool
	keys map[string][]string // of maps
}

// has says whether the update sets a field as a whole.
func (e edits) has(field string) bool { return e.all || e.set[field] }

// read reads an update mask. No mask, and `*`, mean every settable field.
func (s settable) read(mask *fieldmaskpb.FieldMask) (edits, error) {
	e := edits{set: map[string]bool{}, keys: map[string][]string{}}
	if len(mask.GetPaths()) == 0 {
		e.all = true
		return e, nil
	}
	for _, p := range mask.GetPaths() {
		field, key, sub := strings.Cut(p, ".")
		switch {
		case p == "*":
			if len(mask.GetPaths()) > 1 {
				return e, errs.Field("update_mask", p, "* stands alone")
			}
			e.all = true
		case slices.Contains(s.fields, p):
			e.set[p] = true
		case sub && slices.Contains(s.maps, field) && key != "":
			e.keys[field] = append(e.keys[field], key)
		case s.fixed[p] != "":
			return e, errs.Field("update_mask", p, p+" is changed by "+s.fixed[p])
		case slices.Contains(s.ignored, p):
		default:
			return e, errs.Field("update_mask", p, "unknown path "+p+"; want one of "+strings.Join(s.fields, ", "))
		}
	}
	return e, nil
}

// apply sets a map, or the keys of it that the mask names.
func (e edits) apply(field string, into *map[string]string, give map[string]string) {
	if e.has(field) {
		*into = give
		return
	}
	for _, k := range e.keys[field] {
		if v, ok := give[k]; ok {
			if *into == nil {
				*into = map[string]string{}
			}
			(*into)[k] = v
		} else {
			delete(*into, k)
		}
	}
}
