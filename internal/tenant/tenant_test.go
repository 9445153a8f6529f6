package tenant_test

import (
	"strings"
	"testing"

	"strandline.example/strandline/internal/tenant"
)

// The UUID is version 5 of RFC 9562 (name-based, SHA-1) and must never change: it is the key of every row.
func TestUUIDIsFixed(t *testing.T) {
	t.Parallel()
	org := tenant.Must("reef")
	if got := org.UUID.String(); got != "85708384-e2b9-59aa-a319-c31cbe1f195c" || org.UUID.Version() != 5 {
		t.Errorf("the UUID of reef is %s", got)
	}
	if org.UUID == tenant.Must("reef2").UUID {
		t.Error("two orgs share a UUID")
	}
}

func TestIDs(t *testing.T) {
	t.Parallel()
	for _, id := range []string{"a", "reef", "0", "a-b", strings.Repeat("x", 40)} {
		if _, ok := tenant.New(id); !ok {
			t.Errorf("%q is refused", id)
		}
	}
	for _, id := range []string{"", "-a", "a-", "A", "a b", "a/b", "ä", "a'b", strings.Repeat("x", 41)} {
		if _, ok := tenant.New(id); ok {
			t.Errorf("%q is taken", id)
		}
	}
}
