package civil_test

import (
	"testing"
	"time"
	_ "time/tzdata"

	"strandline.example/strandline/internal/civil"
)

// TestAtBesideClocks walks clocks of zones quarter by quarter of an hour, as package time shows them, and looks for the first instant at which they show
// each time of some days, and of all days on which they are changed. Leap years beyond the tables of the time zone database are among
// the years.
func TestAtBesideClocks(t *testing.T) {
	t.Parallel()
	for _, name := range []string{
		"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Casablanca", "Pacific/Apia", "Asia/Kathmandu", "America/Santiago", "Pacific/Kwajalein", "UTC",
	} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		offset := func(d civil.Date) int {
			_, o := d.Start(zone).Zone()
			return o
		}
		for _, year := range []int{1993, 2011, 2026, 2028, 2040} {
			for d := civil.New(year, 1, 1); d <= civil.New(year, 12, 31); d++ {
				if offset(d) == offset(d+1) && offset(d-1) == offset(d) && d < civil.New(year, 12, 30) && d%31 != 0 {
					continue
				}
				begin := time.Unix(int64(d)*24*60*60, 0).UTC().Add(-30 * time.Hour)
				want := begin
				for quarter := range 4 * 24 {
					clock := time.Duration(quarter) * 15 * time.Minute
					wall := time.Unix(int64(d)*24*60*60, 0).UTC().Add(clock).Format(time.DateTime)
					for want.In(zone).Format(time.DateTime) < wall {
						want = want.Add(15 * time.Minute)
					}
					if got := d.At(clock, zone); !got.Equal(want) {
						t.Fatalf("%s, %v %s: %v, want %v", name, d, clock, got.In(zone), want.In(zone))
					}
				}
			}
		}
	}
}
