package main

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"go.yaml.in/yaml/v3"

	"strandline.example/strandline/internal/pg"
	"strandline.example/strandline/internal/pg/private"
	"strandline.example/strandline/internal/stack"
)

const deployFolder = "../../deploy"

// manifests returns every document of every YAML file in deploy, by file.
func manifests(t *testing.T) map[string][]map[string]any {
	t.Helper()
	out := map[string][]map[string]any{}
	err := filepath.WalkDir(deployFolder, func(path string, d fs.DirEntry, err error) error {
		if err != nil || !slices.Contains([]string{".yaml", ".yml"}, filepath.Ext(path)) {
			return err
		}
		raw, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		for in := yaml.NewDecoder(bytes.NewReader(raw)); ; {
			var doc map[string]any
			err := in.Decode(&doc)
			if errors.Is(err, io.EOF) {
				return nil
			}
			if err != nil {
				t.Errorf("%s: %v", path, err)
				return nil
			}
			out[path] = append(out[path], doc)
		}
	})
	if err != nil || len(out) < 5 {
		t.Fatalf("%d files, error %v", len(out), err)
	}
	return out
}

// containers calls fn with every container of a document, compose or Kubernetes.
func containers(doc any, fn func(c map[string]any)) {
	switch d := doc.(type) {
	case map[string]any:
		if _, ok := d["image"].(string); ok {
			fn(d)
		}
		for _, v := range d {
			containers(v, fn)
		}
	case []any:
		for _, v := range d {
			containers(v, fn)
		}
	}
}

// TestDeployCallsTheCommand: what the manifests run exists, with the flags and environment they give it.
func TestDeployCallsTheCommand(t *testing.T) {
	known := map[string]bool{}
	for _, st := range settingTable {
		known[st.env()] = true
	}
	ran := 0
	variable := regexp.MustCompile(`STRANDLINE_[A-Z_]+`)
	for path, docs := range manifests(t) {
		raw, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, name := range variable.FindAllString(string(raw), -1) {
			if !known[name] && name != "STRANDLINE_DB_PASSWORD" { // compose's own
				t.Errorf("%s: no setting reads %s", path, name)
			}
		}
		for _, doc := range docs {
			containers(doc, func(c map[string]any) {
				image := c["image"].(string)
				if image != "strandline" {
					if !regexp.MustCompile(`^docker\.io/library/postgres:1[5-9]$`).MatchString(image) {
						t.Errorf("%s: image %q is neither ours nor PostgreSQL 15 or later", path, image)
					}
					return
				}
				args := texts(c["args"])
				if args == nil {
					args = texts(c["command"])
				}
				if args == nil {
					return // the anchor of compose's services
				}
				ran++
				checkCall(t, path, args)
				if h, ok := c["healthcheck"].(map[string]any); ok {
					test := texts(h["test"])
					if len(test) < 2 || test[0] != "CMD" || test[1] != "/strandline" {
						t.Errorf("%s: health check %q is not of the one binary in the image", path, test)
						return
					}
					checkCall(t, path, test[2:])
				}
			})
		}
	}
	if ran < 10 {
		t.Errorf("only %d calls were found", ran)
	}
}

func texts(v any) []string {
	list, ok := v.([]any)
	if !ok {
		return nil
	}
	var out []string
	for _, x := range list {
		s, _ := x.(string)
		out = append(out, s)
	}
	return out
}

// checkCall parses a call of the command without running it.
func checkCall(t *testing.T, where string, args []string) {
	t.Helper()
	root := newRootCmd(&app{})
	cmd, rest, err := root.Find(args)
	if err != nil || cmd == root {
		t.Errorf("%s: %q is no command", where, args)
		return
	}
	if err := cmd.ParseFlags(rest); err != nil {
		t.Errorf("%s: %q: %v", where, args, err)
		return
	}
	if err := cmd.ValidateArgs(cmd.Flags().Args()); err != nil {
		t.Errorf("%s: %q: %v", where, args, err)
	}
}

// TestDeployContainerfile: the image ends with a command that exists and runs as nobody in particular.
func TestDeployContainerfile(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join(deployFolder, "Containerfile"))
	if err != nil {
		t.Fatal(err)
	}
	text := string(raw)
	wants(t, text, "CGO_ENABLED=0", "-X main.version=", "\nUSER 65532:65532\n", `ENTRYPOINT ["/strandline"]`)
	_, last, _ := strings.Cut(text, "\nCMD ")
	var args []string
	if err := yaml.Unmarshal([]byte(last), &args); err != nil {
		t.Fatal(err)
	}
	checkCall(t, "Containerfile", args)
	goMod, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	version := regexp.MustCompile(`(?m)^go (\d+\.\d+)`).FindSubmatch(goMod)[1]
	wants(t, text, "golang:"+string(version))
}

// TestDeployKustomizationIsWhole: every file of the base is listed, and every selector finds pods.
func TestDeployKustomizationIsWhole(t *testing.T) {
	base := filepath.Join(deployFolder, "kubernetes", "base")
	all := manifests(t)
	listed := texts(all[filepath.Join(base, "kustomization.yaml")][0]["resources"])
	files, err := filepath.Glob(filepath.Join(base, "*.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	pods := map[string]bool{}
	for _, f := range files {
		name := filepath.Base(f)
		if name != "kustomization.yaml" && !slices.Contains(listed, name) {
			t.Errorf("%s is not among the resources", name)
		}
		for _, doc := range all[f] {
			if spec := dig(doc, "spec", "template", "metadata", "labels"); spec != nil {
				pods[spec.(map[string]any)["app.kubernetes.io/component"].(string)] = true
			}
		}
	}
	for _, f := range files {
		for _, doc := range all[f] {
			for _, path := range [][]string{{"spec", "selector"}, {"spec", "selector", "matchLabels"}, {"spec", "podSelector", "matchLabels"}} {
				if m, ok := dig(doc, path...).(map[string]any); ok {
					if c, ok := m["app.kubernetes.io/component"].(string); ok && !pods[c] {
						t.Errorf("%s: a selector wants %q, and no pod is", f, c)
					}
				}
			}
		}
	}
}

func dig(doc any, path ...string) any {
	for _, p := range path {
		m, ok := doc.(map[string]any)
		if !ok {
			return nil
		}
		doc = m[p]
	}
	return doc
}

// TestDeployRoles runs roles.sql on an empty PostgreSQL, migrates as its admin and starts the services as its login role.
func TestDeployRoles(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join(deployFolder, "roles.sql"))
	if err != nil {
		t.Fatal(err)
	}
	srv, err := private.Start(t.Context(), private.Config{Dir: t.TempDir(), NoSync: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := srv.Stop(); err != nil {
			t.Error(err)
		}
	})
	conn, err := pgx.Connect(t.Context(), srv.DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	if _, err := conn.PgConn().Exec(t.Context(), string(raw)).ReadAll(); err != nil {
		t.Fatal(err)
	}
	as := func(user string) string {
		return regexp.MustCompile(`user=\S+`).ReplaceAllString(srv.DSN(), "user="+user)
	}
	if err := pg.Migrate(t.Context(), as("strandline_admin"), stack.Schemas()...); err != nil {
		t.Fatal(err)
	}
	for _, s := range stack.Schemas() {
		db, err := pg.Open(t.Context(), pg.Config{DSN: as("strandline_app"), Role: s.Role, Schema: s.Name})
		if err != nil {
			t.Errorf("%s: %v", s.Name, err)
			continue
		}
		if err := db.Migrated(t.Context(), s); err != nil {
			t.Error(err)
		}
		db.Close()
	}
}
