// Package forecast says when a usage limit will be reached.
//
// It is pure, and does so in two ways. Rate is the plain rate of use; it depends on the data alone: an expected day does not move because
// time passes, only because something was recorded, so that it can be stored and due lists be ordered by it. Kind and Outlook
// say more, for a day asked about: the spread, and the chance before a day, from the unit's history, its kind's, and the
// season. Kind tells the model and what is chosen in it.
//
// Both are estimates for planning. Limits are judged by what was counted, never by these.
package forecast

import (
	"math"
	"math/bits"

	"strandline.example/strandline/internal/civil"
)

// window is how many days up to the last use the present rate is taken over.
const window = 365

// lastDay is the last day that a forecast names; what lies beyond is no forecast.
var lastDay = civil.New(2999, 12, 31)

// Rate is the present rate of use of one measure. The uses that count are those of the 365 days that end with the last use.
// The rate is the slope between the first of their days and the last: what was used after the first day, up to and with the
// last, divided by the days between the two. What was used on the first day itself belongs to the time before it (a meter's
// first reading stands for its whole life until then). It takes uses on at least two days; the zero Rate has none yet.
type Rate struct {
	first, last civil.Date
	onFirst     int64 // used on the first day
	after       int64 // used after it
	uses        bool
}

// Add adds a use. Uses are added newest first. It returns false once a use lies outside the window: that one and all older
// ones do not count. Amounts that are not above zero are no uses.
func (r *Rate) Add(on civil.Date, amount int64) bool {
	if amount <= 0 {
		return true
	}
	if !r.uses {
		r.uses, r.first, r.last = true, on, on
	}
	if on <= r.last-window {
		return false
	}
	if on < r.first {
		r.after = sum(r.after, r.onFirst)
		r.first, r.onFirst = on, 0
	}
	r.onFirst = sum(r.onFirst, amount)
	return true
}

// Reach returns the day on which left more will have been used: as many days after the last use as the rate needs, rounded
// up to whole days. There is none without a rate, with nothing left, and after the year 2999.
func (r *Rate) Reach(left int64) (on civil.Date, ok bool) {
	if r.after <= 0 || left <= 0 {
		return 0, false
	}
	hi, lo := bits.Mul64(uint64(left), uint64(r.last-r.first))
	if hi >= uint64(r.after) {
		return 0, false
	}
	days, rest := bits.Div64(hi, lo, uint64(r.after))
	if rest > 0 {
		days++
	}
	if days > uint64(max(0, lastDay-r.last)) {
		return 0, false
	}
	return r.last.AddDays(int(days)), true
}

// sum adds two amounts that are not negative, and stops at the greatest.
func sum(a, b int64) int64 {
	if a > math.MaxInt64-b {
		return math.MaxInt64
	}
	return a + b
}
