package packs

import (
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestReadmeNamesRulesThatExist: what the page on the packs says is in a rule is in a rule that is shipped.
func TestReadmeNamesRulesThatExist(t *testing.T) {
	t.Parallel()
	page, err := os.ReadFile("README.md")
	if err != nil {
		t.Fatal(err)
	}
	rules := map[string]bool{}
	for id, p := range shipped(t) {
		for _, r := range p.Rules {
			rules[id+"/"+r.ID] = true
		}
	}
	named := regexp.MustCompile("`([a-z0-9-]+/[a-z0-9-]+)`").FindAllStringSubmatch(string(page), -1)
	if len(named) < 10 {
		t.Fatalf("%d rules named: has the page changed its way to write them?", len(named))
	}
	for _, m := range named {
		if !rules[m[1]] && !strings.HasPrefix(m[1], "testdata/") {
			t.Errorf("%s is no shipped rule", m[1])
		}
	}
}
