package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"strandline.example/strandline/internal/doctest"
)

const readme = "../../README.md"

// TestReadme runs the README as a newcomer does: the demo, then the commands of each section in the shell. What stands below a block is what the
// block prints; three dots stand for what is left out.
func TestReadme(t *testing.T) {
	bash, err := exec.LookPath("bash")
	if err != nil {
		t.Fatal("the README's commands are for bash, and there is none")
	}
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	bin, work := filepath.Join(dir, "bin"), filepath.Join(dir, "work")
	for _, d := range []string{bin, work} {
		if err := os.Mkdir(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(bin, "strandline"), []byte(fmt.Sprintf("#!/bin/sh\nexec env %s=1 %q \"$@\"\n", asCommand, self)), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(root, "cmd"), filepath.Join(work, "cmd")); err != nil { // a clone's files, by the paths the README has
		t.Fatal(err)
	}
	env := append(os.Environ(), "PATH="+bin+":"+os.Getenv("PATH"), "STRANDLINE_DATA="+filepath.Join(dir, "data"), "STRANDLINE_NO_INPUT=true", "COLUMNS=100")
	shell := func(script string) (string, string, error) {
		cmd := exec.CommandContext(t.Context(), bash, "-euo", "pipefail", "-c", script)
		cmd.Dir, cmd.Env = work, env
		var out, errw strings.Builder
		cmd.Stdout, cmd.Stderr = &out, &errw
		err := cmd.Run()
		return out.String(), errw.String(), err
	}
	report, told, err := shell("strandline demo")
	if err != nil {
		t.Fatalf("the demo: %v\n%s", err, told)
	}
	two := doctest.Read(t, readme, "Two commands")
	played, told, err := shell("strandline demo bench")
	if err != nil {
		t.Fatalf("the demo's service: %v\n%s", err, told)
	}
	// The Saturday's units depend on when it is played; what the README shows is of the day of the golden file.
	if _, told, err = shell("strandline demo saturday"); err != nil {
		t.Fatalf("the demo's Saturday: %v\n%s", err, told)
	}
	saturday, err := os.ReadFile(filepath.Join("testdata", "demo-saturday.txt"))
	if err != nil {
		t.Fatal(err)
	}
	if len(two.Fences) != 4 {
		t.Fatalf("%d blocks", len(two.Fences))
	}
	for i, report := range []string{report, played, string(saturday)} {
		if want := two.Fences[i+1].Text; !strings.Contains(report, want) {
			t.Errorf("the demo does not print what the README says it does; want, in\n%s\nthis:\n%s", report, want)
		}
	}
	s := serveProcess(t, "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--http", "127.0.0.1:0") // the commands use it: it is the local server
	compared, ran := 0, 0
	for _, section := range []string{"Look around", "Rules, and why", "Recalls", "Readings, and verdicts", "Call it", "On the bench", "At the counter"} {
		var printed string
		skipped := false
		for _, f := range doctest.Read(t, readme, section).Fences {
			switch f.Lang {
			case "sh":
				script := strings.ReplaceAll(f.Text, "strandline serve &\n", "")
				script = strings.ReplaceAll(strings.ReplaceAll(script, "localhost:8781", s.http), "localhost:8780", s.grpc)
				if section == "Call it" {
					script = "TOKEN=$(strandline token --org demo --role shop-manager)\n" + script
				}
				if skipped = strings.Contains(script, "grpcurl ") && !there("grpcurl") || strings.Contains(script, "curl ") && !there("curl"); skipped {
					t.Logf("line %d: not run, as its client is not installed", f.Line)
					continue
				}
				out, errw, err := shell(script)
				if err != nil {
					t.Fatalf("line %d: %v\n%s%s", f.Line, err, out, errw)
				}
				if printed = out; section == "Call it" && (strings.Contains(out, "problems/") || strings.Contains(script, "curl ") && !strings.Contains(out, "{")) {
					t.Errorf("line %d: %s\n%s", f.Line, out, errw)
				}
				ran++
			case "text":
				if skipped {
					continue
				}
				compared++
				if !pattern(f.Text).MatchString(printed) {
					t.Errorf("line %d: the block prints something else; want\n%s\ngot\n%s", f.Line, f.Text, printed)
				}
			default:
				t.Errorf("line %d: a block of %q that no test runs", f.Line, f.Lang)
			}
		}
	}
	if ran < 8 || compared < 4 {
		t.Errorf("only %d blocks ran and %d were compared", ran, compared)
	}
}

func there(tool string) bool {
	_, err := exec.LookPath(tool)
	return err == nil
}

// pattern matches a text in which a line of three dots stands for any lines, and three dots within one for anything in it.
func pattern(text string) *regexp.Regexp {
	var out strings.Builder
	out.WriteString(`\A`)
	for line := range strings.Lines(text) {
		if line == "...\n" {
			out.WriteString(`(?:.*\n)*?`)
			continue
		}
		out.WriteString(strings.ReplaceAll(regexp.QuoteMeta(line), `\.\.\.`, `.*`))
	}
	out.WriteString(`\z`)
	return regexp.MustCompile(out.String())
}

func TestPattern(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		text, printed string
		want          bool
	}{
		{"a\n", "a\n", true},
		{"a\n", "a\nb\n", false},
		{"a\n...\n", "a\nb\nc\n", true},
		{"...\nb\n...\n", "a\nb\n", true},
		{"...\nb\n...\n", "a\nbc\n", false},
		{"a ... c\n", "a b c\n", true},
		{"a ... c\n", "a\nc\n", false},
		{"1.5\n", "1x5\n", false},
	} {
		if got := pattern(tt.text).MatchString(tt.printed); got != tt.want {
			t.Errorf("%q on %q: %v", tt.text, tt.printed, got)
		}
	}
}
