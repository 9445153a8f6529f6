package due

import (
	"encoding/binary"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
)

// TestOrder compares merging runs with sorting, whatever the runs: none, one, many, ascending or not, empty ones among them.
func TestOrder(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	merged := 0
	for n := range 3000 {
		o := order[event]{compare: compareEvents}
		for range 1 + rng.IntN(2) { // the memory is used again
			o.reset()
			var want []event
			for range rng.IntN(2 + n%12) {
				o.next()
				at := int64(rng.IntN(50))
				for range rng.IntN(60) {
					if at += int64(rng.IntN(3)); rng.IntN(20) == 0 {
						at -= int64(rng.IntN(40))
					}
					var id uuid.UUID
					binary.BigEndian.PutUint64(id[8:], rng.Uint64N(1<<40))
					ev := event{id: id, at: time.Unix(at, 0)}
					o.add(ev)
					want = append(want, ev)
				}
			}
			if len(o.starts) > 1 {
				merged++
			}
			slices.SortFunc(want, func(a, b event) int { return compareEvents(&a, &b) })
			if got := o.sorted(); !slices.Equal(got, want) {
				t.Fatalf("got %v, want %v", got, want)
			}
		}
	}
	if merged < 500 {
		t.Errorf("only %d of the orders were merged", merged)
	}
}
