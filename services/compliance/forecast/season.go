package forecast

// Season is how use goes with the months, January first: each factor is the month's rate over the year's, and over a year
// they come to 1.
type Season [12]float64

// Even is the season of what goes the same all year.
var Even = Season{1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1}

// Seasons are learned by comparing each month's use with what the units' own rates let expect. A month is pulled to the mean of
// its two neighbours as if that had been seen over as much use as seasonPull events, and to 1 over seasonEven events: so
// the year is smooth and closed where little is known, and sharp (a shop that closes for the winter) where much is.
const (
	seasonPull = 6
	seasonEven = 2
)

// seasonSpread is the variance of a month's factor where nothing is known of it; common practice, no source: between half and
// half as much again is usual.
const seasonSpread = 0.2

var monthDays = [12]float64{31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

// learnSeason returns the season of units. An event is of the size given.
func learnSeason(units []series, months calendar, event float64) Season {
	s := Even
	type sums struct{ days, used [12]float64 }
	by := make([]sums, len(units))
	for i := range units {
		u := &units[i]
		for d := u.from; d < Window; d++ {
			by[i].days[months[d]]++
			by[i].used[months[d]] += u.y[d]
		}
	}
	for range 12 {
		var used, expected [12]float64
		for i := range units {
			if units[i].total <= 0 {
				continue
			}
			adjusted := 0.0
			for m, n := range by[i].days {
				adjusted += n * s[m]
			}
			if !(adjusted > 0) {
				continue
			}
			rate := units[i].total / adjusted
			for m := range used {
				used[m] += by[i].used[m] / event
				expected[m] += rate * by[i].days[m] / event
			}
		}
		s = smooth(s, &used, &expected)
	}
	return s
}

// smooth returns the factors that used and expected events come to, pulled together around the year.
func smooth(s Season, used, expected *[12]float64) Season {
	for range 40 {
		for m := range s {
			around := (s[(m+11)%12] + s[(m+1)%12]) / 2
			s[m] = (used[m] + seasonPull*around + seasonEven) / (expected[m] + seasonPull + seasonEven)
		}
	}
	sum, days := 0.0, 0.0
	for m := range s {
		sum += s[m] * monthDays[m]
		days += monthDays[m]
	}
	for m := range s {
		s[m] *= days / sum
	}
	return s
}

// enough is how many days of a month, of whatever years, show what the month is like.
const enough = 20

// unseen returns how little of the year was seen of used units: 0 for every month, 1 for none.
func unseen(units []series, months calendar) float64 {
	var seen [12]float64
	for d, m := range months {
		for i := range units {
			if u := &units[i]; u.total > 0 && d >= u.from {
				seen[m]++
				break
			}
		}
	}
	out := 0.0
	for _, n := range seen {
		out += max(0, 1-n/enough) / 12
	}
	return out
}
