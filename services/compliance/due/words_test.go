package due_test

import (
	"testing"

	"strandline.example/strandline/services/compliance/due"
)

func TestWords(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		n          int64
		kind, size string
		want       string
	}{
		{1, "regulator-set", "", "1 regulator set"},
		{14, "regulator-set", "", "14 regulator sets"},
		{0, "bcd", "M", "0 BCDs of size M"},
		{1, "bcd", "", "1 BCD"},
		{2, "fins", "42", "2 fins of size 42"},
		{2, "cylinder", "12 L", "2 cylinders of size 12 L"},
	} {
		if got := due.CountKind(c.n, c.kind, c.size); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	for code, want := range map[due.Code]string{due.HoldOpen: "on hold", "OTHER_SHOP": "at another shop", "SOMETHING_NEW": "something new"} {
		if got := code.Words(); got != want {
			t.Errorf("%s is %q, want %q", code, got, want)
		}
	}
}
