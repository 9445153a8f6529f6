// Package rounds says how long random tests go on. What `make test` does finds most of what there is to find within minutes; `make soak` does the
// same with other numbers and more of them.
package rounds

import (
	"os"
	"strconv"
	"testing"
)

// Of returns how often to do what is done n times by `make test`: as many times more as STRANDLINE_ROUNDS says, and a third with -short; at least once.
func Of(n int) int {
	if more, err := strconv.Atoi(os.Getenv("STRANDLINE_ROUNDS")); err == nil && more > 0 {
		return n * more
	}
	if testing.Short() {
		return max(1, n/3)
	}
	return n
}
