package compliance_test

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/due"
)

func revision(pack string, n int64, effective civil.Date, published time.Time) due.Pack {
	return due.Pack{ID: pack, Revision: n, Effective: effective, Published: published}
}

func TestWindows(t *testing.T) {
	t.Parallel()
	may, june := civil.New(2026, 5, 1), civil.New(2026, 6, 1)
	noon := time.Date(2026, 5, 20, 12, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		give   []due.Pack
		kept   []bool     // by revision
		covers civil.Date // the first day covered; 0 for every day
	}{
		"one revision":             {[]due.Pack{revision("a", 1, may, noon)}, []bool{true}, 0},
		"superseded long ago":      {[]due.Pack{revision("a", 1, civil.New(2020, 1, 1), noon), revision("a", 2, may, noon)}, []bool{false, true}, may},
		"published ahead":          {[]due.Pack{revision("a", 1, may, noon), revision("a", 2, june, noon)}, []bool{true, true}, 0},
		"in force from that day":   {[]due.Pack{revision("a", 1, may, noon), revision("a", 2, civil.New(2026, 5, 20), noon)}, []bool{true, true}, 0},
		"in force since yesterday": {[]due.Pack{revision("a", 1, may, noon), revision("a", 2, civil.New(2026, 5, 19), noon)}, []bool{false, true}, civil.New(2026, 5, 19)},
		"another pack is older": {
			[]due.Pack{revision("a", 1, civil.New(2020, 1, 1), noon), revision("a", 2, may, noon), revision("b", 1, june, noon)}, []bool{false, true, true}, may,
		},
		"same day": {[]due.Pack{revision("a", 1, may, noon), revision("a", 2, may, noon)}, []bool{true, true}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			w := compliance.WindowsOf(c.give)
			for i := range c.give {
				k := &due.Clock{Pack: &c.give[i], InForceFrom: c.give[i].Effective}
				if i+1 < len(c.give) && c.give[i+1].ID == c.give[i].ID && c.give[i+1].Effective > c.give[i].Effective {
					k.InForceUntil = civil.Day(c.give[i+1].Effective)
				}
				if got := w.Keeps(k); got != c.kept[i] {
					t.Errorf("revision %d kept: %v, want %v", i, got, c.kept[i])
				}
			}
			if c.covers == 0 {
				if !w.Covers(civil.New(1999, 1, 1)) {
					t.Error("does not cover the past, though nothing is left out")
				}
			} else if !w.Covers(c.covers) || w.Covers(c.covers-1) {
				t.Errorf("covers from another day than %s", c.covers)
			}
		})
	}
}
