package auth_test

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	"strandline.example/strandline/internal/auth"
	authpb "strandline.example/strandline/proto/strandline/auth/v1"
	_ "strandline.example/strandline/proto/strandline/compliance/v1"
	_ "strandline.example/strandline/proto/strandline/feed/v1"
	_ "strandline.example/strandline/proto/strandline/history/v1"
	_ "strandline.example/strandline/proto/strandline/registry/v1"
)

var update = flag.Bool("update", false, "rewrite testdata")

// TestRoles compares the whole matrix of RPCs and roles with testdata/roles.txt, so that a new RPC or a changed role shows in
// review. `go test ./internal/auth -update` rewrites the file.
func TestRoles(t *testing.T) {
	var b strings.Builder
	b.WriteString("Which role may call which RPC. Written by: go test ./internal/auth -update\n")
	for _, m := range methods(t) {
		p, ok := auth.PermissionOf(m)
		if !ok {
			t.Errorf("%s declares no permission", m)
		}
		var may []string
		for _, role := range auth.Roles() {
			if auth.Allows(role, p) {
				may = append(may, role)
			}
		}
		fmt.Fprintf(&b, "\n%s\n  needs %s\n  roles %s\n", m, p, strings.Join(may, ", "))
	}
	const path = "testdata/roles.txt"
	if *update {
		if err := os.WriteFile(path, []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), b.String()); diff != "" {
		t.Errorf("the table of roles changed (-testdata +now); if that is meant, run with -update:\n%s", diff)
	}
}

// methods returns every RPC of the project's protos, as gRPC writes them.
func methods(t *testing.T) (names []string) {
	t.Helper()
	protoregistry.GlobalFiles.RangeFiles(func(f protoreflect.FileDescriptor) bool {
		if !strings.HasPrefix(string(f.Package()), "strandline.") {
			return true
		}
		for i := range f.Services().Len() {
			s := f.Services().Get(i)
			for j := range s.Methods().Len() {
				names = append(names, "/"+string(s.FullName())+"/"+string(s.Methods().Get(j).Name()))
			}
		}
		return true
	})
	if len(names) < 30 {
		t.Fatalf("found only %d RPCs", len(names))
	}
	slices.Sort(names)
	return names
}

func TestRolesHoldNoMoreThanTheirJob(t *testing.T) {
	for _, c := range []struct {
		permission authpb.Permission
		only       []string
	}{
		{authpb.Permission_PERMISSION_ORG_ADMIN, []string{auth.RoleOperator}},
		{authpb.Permission_PERMISSION_FEED_READ, []string{auth.RoleService}},
		{authpb.Permission_PERMISSION_RULES_WRITE, []string{auth.RoleChainManager}},
		{authpb.Permission_PERMISSION_CHAIN_WRITE, []string{auth.RoleChainManager}},
		{authpb.Permission_PERMISSION_HISTORY_APPEND, []string{auth.RoleChainManager, auth.RoleService, auth.RoleShopManager, auth.RoleTechnician}},
		{authpb.Permission_PERMISSION_UNSPECIFIED, nil},
		{authpb.Permission(999), nil},
	} {
		var have []string
		for _, role := range auth.Roles() {
			if auth.Allows(role, c.permission) {
				have = append(have, role)
			}
		}
		if !slices.Equal(have, c.only) {
			t.Errorf("%s is held by %v, want %v", c.permission, have, c.only)
		}
	}
	for i := range authpb.Permission_name {
		if p := authpb.Permission(i); auth.Allows("", p) || auth.Allows("root", p) || auth.Allows("Auditor", p) {
			t.Errorf("an unknown role holds %s", p)
		}
	}
}

func TestPermissionOfUnknownMethods(t *testing.T) {
	for _, m := range []string{"", "/", "//", "/a/b", "strandline.registry.v1.RegistryService", "/strandline.registry.v1.RegistryService/Nope",
		"/strandline.registry.v1.Unit/name", "/grpc.health.v1.Health/Check", "/strandline.registry.v1.RegistryService/GetUnit/", "/../x/y"} {
		if p, ok := auth.PermissionOf(m); ok {
			t.Errorf("%q: %s", m, p)
		}
	}
}
