package main

import (
	"bytes"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestTable(t *testing.T) {
	give := newTable("tag", ">dives", "empty", "~rule")
	give.row("GB-1", "7", "", "Overhaul every 12 months or 100 dives, whichever comes first")
	give.row("GB-CYL-003", "120", "", "Visual inspection")
	tests := []struct {
		name  string
		width int
		want  string
	}{
		{"any width", 0, `
tag         dives  rule
GB-1            7  Overhaul every 12 months or 100 dives, whichever comes first
GB-CYL-003    120  Visual inspection
`},
		{"folded", 50, `
tag         dives  rule
GB-1            7  Overhaul every 12 months or 100
                   dives, whichever comes first
GB-CYL-003    120  Visual inspection
`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var b bytes.Buffer
			give.write(&b, "", tt.width)
			if got := "\n" + b.String(); got != tt.want {
				t.Errorf("got%swant%s", got, tt.want)
			}
		})
	}
}

// TestFold: folding loses no word, and no line is wider than asked unless a single word is.
func TestFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOfN(rapid.StringMatching(`[a-zé]{1,12}`), 1, 30).Draw(t, "words")
		width := rapid.IntRange(1, 40).Draw(t, "width")
		lines := fold(strings.Join(words, " "), width)
		if got := strings.Join(lines, " "); got != strings.Join(words, " ") {
			t.Fatalf("words were lost: %q", got)
		}
		for _, l := range lines {
			if utf8.RuneCountInString(l) > width && strings.Contains(l, " ") {
				t.Fatalf("%q is wider than %d", l, width)
			}
		}
	})
}
