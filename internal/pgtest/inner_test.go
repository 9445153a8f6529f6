package pgtest_test

import (
	"os"
	"os/exec"
	"testing"
)

// innerRun runs one test of this binary in a process of its own, with more environment.
func innerRun(t *testing.T, test string, env ...string) *exec.Cmd {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), self, "-test.run=^"+test+"$", "-test.v", "-test.timeout=1m")
	cmd.Env = append(append(os.Environ(), "STRANDLINE_PGTEST_INNER=1"), env...)
	return cmd
}
