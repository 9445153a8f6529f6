package forecast

import (
	_ "embed"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"
)

//go:embed testdata/zone.tab
var zoneTab string

// TestSouthern compares with the places of the tz database's zones.
func TestSouthern(t *testing.T) {
	t.Parallel()
	north, south := 0, 0
	for line := range strings.Lines(zoneTab) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		f := strings.Fields(line)
		want := strings.HasPrefix(f[0], "-")
		if want {
			south++
		} else {
			north++
		}
		if got := Southern(f[1]); got != want {
			t.Errorf("%s at %s: southern %v", f[1], f[0], got)
		}
	}
	if north < 250 || south < 100 {
		t.Errorf("only %d northern and %d southern zones compared", north, south)
	}
	for name := range southern {
		if _, err := time.LoadLocation(name); err != nil {
			t.Errorf("%s is no zone: %v", name, err)
		}
	}
	for name, want := range map[string]bool{"NZ": true, "Australia/NSW": true, "Brazil/East": true, "UTC": false, "": false, "Pacific/Truk": false, "US/Eastern": false} {
		if got := Southern(name); got != want {
			t.Errorf("%q: southern %v", name, got)
		}
	}
}
