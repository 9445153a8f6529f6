package rounds_test

import (
	"testing"

	"strandline.example/strandline/internal/rounds"
)

// asks are the first seeds of a test of a name.
func asks(t *testing.T, name string, n int) (out []uint64) {
	t.Run(name, func(t *testing.T) {
		for range n {
			out = append(out, rounds.Seed(t))
		}
	})
	return out
}

func TestSeeds(t *testing.T) {
	t.Setenv("STRANDLINE_SEED", "")
	t.Setenv("STRANDLINE_ROUNDS", "")
	one, other := asks(t, "one", 2), asks(t, "other", 1)
	if one[0] == one[1] || one[0] == other[0] {
		t.Errorf("the same twice: %v, %v", one, other)
	}
	if want := uint64(4005047161413513037); one[0] != want { // of another run of this test
		t.Errorf("%d, want %d, which it was before", one[0], want)
	}
	t.Setenv("STRANDLINE_ROUNDS", "2")
	if a, b := asks(t, "drawn", 1), asks(t, "drawn", 1); a[0] == b[0] {
		t.Errorf("drawn twice: %v", a)
	}
	if got := rounds.Of(10); got != 20 {
		t.Errorf("twice as long is %d", got)
	}
	t.Setenv("STRANDLINE_SEED", "12")
	if got := asks(t, "told", 2); got[0] != 12 || got[1] != 12 {
		t.Errorf("%v, want the one that was told", got)
	}
}

func TestOf(t *testing.T) {
	t.Setenv("STRANDLINE_ROUNDS", "")
	for n, short := range map[int]int{1: 1, 2: 1, 3: 1, 30: 10} {
		want := n
		if testing.Short() {
			want = short
		}
		if got := rounds.Of(n); got != want {
			t.Errorf("%d of %d, want %d", got, n, want)
		}
	}
}
