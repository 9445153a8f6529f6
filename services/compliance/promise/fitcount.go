package promise

import "github.com/google/uuid"

// Outfits returns how many of the outfits can be had together out of the free units: each whole, in the order given. One that cannot be had
// beside those before it is left out, and takes nothing from those after it.
func Outfits(outfits [][]Want, free []*Unit) int {
	s := newStock(free)
	n := 0
	for _, wants := range outfits {
		if s.add(wants) {
			n++
		}
	}
	return n
}

// stock counts what is free against what is wanted. A size being one or any, wants can be served together if none names a unit that another
// names, each size has enough, and each kind has enough in all.
type stock struct {
	units map[uuid.UUID]*Unit
	named map[uuid.UUID]bool
	left  map[kindSize]int // free and not spoken for; of a kind in all under the empty size
}

type kindSize struct{ kind, size string }

func newStock(free []*Unit) *stock {
	s := &stock{units: make(map[uuid.UUID]*Unit, len(free)), named: map[uuid.UUID]bool{}, left: map[kindSize]int{}}
	for _, u := range free {
		if s.units[u.ID] != nil {
			continue
		}
		s.units[u.ID] = u
		s.left[kindSize{u.Kind, ""}]++
		if u.Size != "" {
			s.left[kindSize{u.Kind, u.Size}]++
		}
	}
	return s
}

// add takes wants out of the stock, all of them, or leaves it as it was.
func (s *stock) add(wants []Want) bool {
	var took []kindSize
	var named []uuid.UUID
	enough := true
	for i := range wants {
		w := &wants[i]
		size := w.Size
		if w.Unit != uuid.Nil {
			u := s.units[w.Unit]
			if u == nil || s.named[w.Unit] || !w.takes(u) {
				enough = false
				break
			}
			s.named[w.Unit] = true
			named = append(named, w.Unit)
			size = u.Size
		}
		took = append(took, kindSize{w.Kind, ""})
		if size != "" {
			took = append(took, kindSize{w.Kind, size})
		}
	}
	for _, k := range took {
		s.left[k]--
		enough = enough && s.left[k] >= 0
	}
	if enough {
		return true
	}
	for _, k := range took {
		s.left[k]++
	}
	for _, id := range named {
		delete(s.named, id)
	}
	return false
}
