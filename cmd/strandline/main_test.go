package main

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/internal/stack"
)

var update = flag.Bool("update", false, "rewrite the golden files in testdata")

// asCommand in the environment makes the test binary the command itself, for tests that need processes of it.
const asCommand = "STRANDLINE_TEST_AS_COMMAND"

func TestMain(m *testing.M) {
	if os.Getenv(asCommand) != "" {
		main()
	}
	pgtest.Main(m, stack.Schemas()...)
}

// outcome is what a run did.
type outcome struct {
	code        int
	stdout, err string
}

// command runs a command line in this process, in an environment of its own.
func command(t *testing.T, env []string, args ...string) outcome {
	t.Helper()
	return commandIn(t, "", env, args...)
}

func commandIn(t *testing.T, stdin string, env []string, args ...string) outcome {
	t.Helper()
	var out, errw bytes.Buffer
	code := run(t.Context(), args, strings.NewReader(stdin), &out, &errw, env)
	return outcome{code, out.String(), errw.String()}
}

// golden compares text with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("%v; rewrite with: go test ./cmd/strandline -update", err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got; rewrite with: go test ./cmd/strandline -update)\n%s", path, diff)
	}
}
