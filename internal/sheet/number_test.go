package sheet

import (
	"testing"
	"time"
)

func TestParseWhole(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		give string
		want int64
		bad  bool
	}{
		{give: "4", want: 4}, {give: "+4", want: 4}, {give: "12.0", want: 12}, {give: "12,00", want: 12}, {give: "0", want: 0}, {give: "007", want: 7},
		{give: "-4", bad: true}, {give: "4.5", bad: true}, {give: "1,234", bad: true}, {give: "1.234", bad: true}, {give: "1.234.567", bad: true}, {give: "1,234.5", bad: true},
		{give: "four", bad: true}, {give: "4 dives", bad: true}, {give: "", bad: true}, {give: ".", bad: true}, {give: "4.", bad: true}, {give: "1e3", bad: true}, {give: "10001", bad: true},
		{give: "999999999999999999999", bad: true}, {give: "--4", bad: true}, {give: "٤", bad: true},
	} {
		n, f := ParseWhole(c.give, 0, 10_000)
		if (f != nil) != c.bad || n != c.want {
			t.Errorf("ParseWhole(%q) = %d, %v", c.give, n, f)
		}
	}
}

func TestParseHours(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		give string
		want time.Duration
		bad  bool
	}{
		{give: "12", want: 12 * time.Hour}, {give: "12.5", want: 12*time.Hour + 30*time.Minute}, {give: "12,5", want: 12*time.Hour + 30*time.Minute}, {give: "0.1", want: 6 * time.Minute},
		{give: "0,3", want: 18 * time.Minute}, {give: "12:30", want: 12*time.Hour + 30*time.Minute}, {give: "0.125", want: 450 * time.Second}, {give: "1234.5", want: 1234*time.Hour + 30*time.Minute},
		{give: "-0.5", bad: true}, {give: "1.234", bad: true}, {give: "12:60", bad: true}, {give: "12:3", bad: true}, {give: "half", bad: true}, {give: "-1:30", bad: true}, {give: "1000000", bad: true}, {give: "0.1234567", bad: true},
	} {
		d, f := ParseHours(c.give, 10_000*time.Hour)
		if (f != nil) != c.bad || d != c.want {
			t.Errorf("ParseHours(%q) = %v, %v", c.give, d, f)
		}
	}
}
