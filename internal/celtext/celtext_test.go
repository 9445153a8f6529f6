package celtext_test

import (
	"strings"
	"testing"
	"unicode/utf8"

	"strandline.example/strandline/internal/celtext"
)

func TestTooDeep(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		expr         string
		line, column int
	}{
		{"((1))", 0, 0},
		{"(((1)))", 1, 3},
		{"([{1}])", 1, 3},
		{"(1) + (2) + (3)", 0, 0},
		{"(\n (\n  (1)))", 3, 3},
		{`(("(((("))`, 0, 0},
		{`(('\'((('))`, 0, 0},
		{`(("\\" + (1)))`, 1, 10},
	} {
		if line, column, deep := celtext.TooDeep(tt.expr, 2); deep != (tt.line > 0) || line != tt.line || column != tt.column {
			t.Errorf("%q: %d:%d %v, want %d:%d", tt.expr, line, column, deep, tt.line, tt.column)
		}
	}
}

func TestShort(t *testing.T) {
	t.Parallel()
	if celtext.Short("short") != "short" {
		t.Error("it shortened what is short")
	}
	if s := celtext.Short(strings.Repeat("é", 300)); utf8.RuneCountInString(s) != 201 || !strings.HasSuffix(s, "…") {
		t.Errorf("%q", s)
	}
}
