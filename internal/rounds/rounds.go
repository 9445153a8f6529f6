// Package rounds says how random tests draw and how long they go on. `make test` draws the same each time, so that a change that breaks nothing stays
// green, and does what finds most of what there is to find within minutes. `make soak` draws anew and does many times as much.
package rounds

import (
	"hash/fnv"
	"math/rand/v2"
	"os"
	"strconv"
	"sync"
	"testing"
)

// Of returns how often to do what is done n times by `make test`: STRANDLINE_ROUNDS times as often if that is set, otherwise with -short a third; at least once.
func Of(n int) int {
	if more := factor(); more > 0 {
		return n * more
	}
	if testing.Short() {
		return max(1, n/3)
	}
	return n
}

func factor() int {
	more, err := strconv.Atoi(os.Getenv("STRANDLINE_ROUNDS"))
	if err != nil {
		return 0
	}
	return max(more, 0)
}

// Seed returns the seed of what a test draws, and logs it: STRANDLINE_SEED if that is set, one drawn anew if STRANDLINE_ROUNDS is, otherwise one that follows
// from the test's name and from how often it asked.
func Seed(t testing.TB) uint64 {
	t.Helper()
	n := drawn(t)
	t.Logf("STRANDLINE_SEED=%d", n)
	return n
}

func drawn(t testing.TB) uint64 {
	t.Helper()
	if s := os.Getenv("STRANDLINE_SEED"); s != "" {
		n, err := strconv.ParseUint(s, 10, 64)
		if err != nil {
			t.Fatalf("STRANDLINE_SEED=%s is no number", s)
		}
		return n
	}
	if factor() > 0 {
		return rand.Uint64()
	}
	h := fnv.New64a()
	_, _ = h.Write([]byte(t.Name() + strconv.Itoa(asked.add(t.Name()))))
	return h.Sum64()
}

// asked counts, by test.
var asked counter

type counter struct {
	mu sync.Mutex
	n  map[string]int
}

func (c *counter) add(name string) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.n == nil {
		c.n = map[string]int{}
	}
	c.n[name]++
	return c.n[name]
}
