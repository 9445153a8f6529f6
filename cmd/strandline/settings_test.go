package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// loaded returns the settings that a command line, an environment and a file's text lead to.
func loaded(t *testing.T, file string, env []string, args ...string) (settings, error) {
	t.Helper()
	a := &app{env: map[string]string{}}
	for _, kv := range env {
		k, v, _ := strings.Cut(kv, "=")
		a.env[k] = v
	}
	if file != "" {
		path := filepath.Join(t.TempDir(), "strandline.yaml")
		if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
		args = append(args, "--config", path)
	}
	cmd, rest, err := newRootCmd(a).Find(append([]string{"serve"}, args...))
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.ParseFlags(rest); err != nil {
		return a.set, err
	}
	err = a.loadSettings(cmd)
	return a.set, err
}

func TestPrecedence(t *testing.T) {
	tests := []struct {
		name string
		file string
		env  []string
		args []string
		want string
	}{
		{name: "default", want: "127.0.0.1:8780"},
		{name: "file", file: "listen: f:1\n", want: "f:1"},
		{name: "environment before file", file: "listen: f:1\n", env: []string{"STRANDLINE_LISTEN=e:1"}, want: "e:1"},
		{name: "flag before both", file: "listen: f:1\n", env: []string{"STRANDLINE_LISTEN=e:1"}, args: []string{"--listen", "g:1"}, want: "g:1"},
		{name: "flag with the default's value before both", env: []string{"STRANDLINE_LISTEN=e:1"}, args: []string{"--listen", "127.0.0.1:8780"}, want: "127.0.0.1:8780"},
		{name: "empty environment is none", file: "listen: f:1\n", env: []string{"STRANDLINE_LISTEN="}, want: "f:1"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := loaded(t, tt.file, tt.env, tt.args...)
			if err != nil || got.Listen != tt.want {
				t.Errorf("listen is %q, error %v; want %q", got.Listen, err, tt.want)
			}
		})
	}
}

func TestEverySettingEveryWay(t *testing.T) {
	for _, st := range settingTable {
		var give string
		switch st.bind(&settings{}).(type) {
		case *bool:
			give = "true"
		case *int:
			give = "7"
		case *time.Duration:
			give = "7s"
		default:
			give = "x"
			if len(st.allowed) > 0 {
				give = st.allowed[len(st.allowed)-1]
			}
		}
		read := func(s settings) string { return (&value{s: st, target: st.bind(&s)}).String() }
		if st.noFile {
			continue
		}
		if s, err := loaded(t, st.key()+": "+give+"\n", nil); err != nil || read(s) != give {
			t.Errorf("%s in the file: got %q, error %v", st.key(), read(s), err)
		}
		if s, err := loaded(t, "", []string{st.env() + "=" + give}); err != nil || read(s) != give {
			t.Errorf("%s in the environment: got %q, error %v", st.env(), read(s), err)
		}
		if s, err := loaded(t, "", nil, "--"+st.name+"="+give); err != nil || read(s) != give {
			t.Errorf("--%s: got %q, error %v", st.name, read(s), err)
		}
	}
}

func TestBadSettings(t *testing.T) {
	tests := []struct {
		name string
		file string
		env  []string
		want []string // all in the error
	}{
		{name: "unknown key with a near one", file: "org: a\nregistry-adr: x\n", want: []string{"strandline.yaml:2", `"registry-adr"`, `did you mean "registry_addr"`}},
		{name: "unknown key with none near", file: "colour_of_the_sea: x\n", want: []string{":1", "help settings"}},
		{name: "key twice", file: "org: a\norg: b\n", want: []string{"org"}},
		{name: "a list", file: "org: [a]\n", want: []string{":1", "single value"}},
		{name: "no mapping", file: "- a\n", want: []string{"keys and values"}},
		{name: "not YAML", file: "org: 'a\n", want: []string{"strandline.yaml"}},
		{name: "bad value in the file", file: "\n\noutput: xml\n", want: []string{":3", "xml", "table, json"}},
		{name: "bad value in the environment", env: []string{"STRANDLINE_TIMEOUT=soon"}, want: []string{"STRANDLINE_TIMEOUT", "soon", "30s"}},
		{name: "zero connections", env: []string{"STRANDLINE_MAX_CONNS=0"}, want: []string{"STRANDLINE_MAX_CONNS", "above zero"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := loaded(t, tt.file, tt.env)
			if err == nil {
				t.Fatal("no error")
			}
			for _, w := range tt.want {
				if !strings.Contains(err.Error(), w) {
					t.Errorf("%q is not in: %v", w, err)
				}
			}
		})
	}
}

// TestBadFileStopsEveryCommand runs the whole way: a configuration file with a fault is refused before anything is done.
func TestBadFileStopsEveryCommand(t *testing.T) {
	path := filepath.Join(t.TempDir(), "c.yaml")
	if err := os.WriteFile(path, []byte("sever: x\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	got := command(t, []string{"STRANDLINE_CONFIG=" + path}, "version")
	if got.code != exitUsage || got.stdout != "" || !strings.Contains(got.err, `did you mean "server"?`) {
		t.Errorf("exit code %d, standard output %q, standard error %q", got.code, got.stdout, got.err)
	}
}
