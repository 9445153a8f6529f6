package predicate

import (
	"sync"

	"cel.dev/cel-go/cel"
	"cel.dev/cel-go/common/types"
	"cel.dev/cel-go/common/types/ref"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// subject is the unit and stay that a predicate is asked about: its variables, made when they are read.
type subject struct {
	facts *due.Facts
	stay  *due.Stay
}

var subjects = sync.Pool{New: func() any { return new(subject) }}

// ResolveName returns a variable; an error for more than there may be to look at.
func (a *subject) ResolveName(name string) (any, bool) {
	switch f := a.facts; name {
	case "kind":
		return text(f.Kind), true
	case "maker":
		return text(f.Maker), true
	case "model":
		return text(f.Model), true
	case "size":
		return text(f.Size), true
	case "serial":
		return text(f.Serial), true
	case "shop":
		return text(a.stay.Shop), true
	case "jurisdiction":
		return text(a.stay.Jurisdiction), true
	case "manufactured":
		return dateOf(f.Manufactured), true
	case "commissioned":
		return dateOf(f.Commissioned), true
	case "attributes":
		if len(f.Attributes) > maxAttributes {
			return tooLarge, true
		}
		for _, v := range f.Attributes {
			if len(v) > maxAttribute {
				return tooLarge, true
			}
		}
		return types.NewStringStringMap(types.DefaultTypeAdapter, f.Attributes), true
	}
	return nil, false
}

var tooLarge = types.NewErr("the unit has more than a predicate may look at")

func text(s string) ref.Val {
	if len(s) > maxText {
		return tooLarge
	}
	return types.String(s)
}

// Parent returns nil: nothing lies behind it.
func (a *subject) Parent() cel.Activation { return nil }

// dateOf returns the date of a mark, a month's first day; empty for none.
func dateOf(m civil.Mark) types.String {
	if m.IsZero() {
		return ""
	}
	y, mo, d := m.First().Parts()
	var b [10]byte
	for i := 3; i >= 0; i-- {
		b[i], y = byte('0'+y%10), y/10
	}
	b[4], b[5], b[6], b[7], b[8], b[9] = '-', byte('0'+int(mo)/10), byte('0'+int(mo)%10), '-', byte('0'+d/10), byte('0'+d%10)
	return types.String(b[:])
}
