package forecast

import (
	"fmt"
	"strings"

	"strandline.example/strandline/internal/civil"
)

// Noun is what an amount is of.
type Noun struct{ One, Many string }

// The nouns.
var (
	Dives = Noun{"dive", "dives"}
	Hours = Noun{"hour of running time", "hours of running time"}
	Fills = Noun{"fill", "fills"}
)

// count writes n of it.
func (n Noun) count(amount int64) string {
	switch amount {
	case 0:
		return "less than one " + n.One
	case 1:
		return "1 " + n.One
	}
	return fmt.Sprintf("%d %s", amount, n.Many)
}

// Sentence tells the outlook so that it can be read aloud. Left is what is left, rounded down to whole ones; before is the day whose
// chance is told.
func (o *Outlook) Sentence(left int64, of Noun, before civil.Date) string {
	var b strings.Builder
	is := "are"
	if left < 2 {
		is = "is"
	}
	fmt.Fprintf(&b, "%s %s left", capital(of.count(left)), is)
	if !o.Known() {
		b.WriteString(", and there is no use on record, of the unit or of its kind, to say from when it will be used up.")
		return b.String()
	}
	fmt.Fprintf(&b, ". At %s a week at this time of the year, %s, ", rateText(o.WeeklyRate, of), o.basis())
	if o.Expected.IsZero() {
		fmt.Fprintf(&b, "it is expected to last for more than %d years", Years)
		if !o.Early.IsZero() {
			fmt.Fprintf(&b, ", though with a chance of 1 in 20 it is used up by %s", o.Early)
		}
	} else {
		fmt.Fprintf(&b, "it will be used up about %s: with a chance of 1 in 20 by %s, ", o.Expected, o.Early)
		if o.Late.IsZero() {
			fmt.Fprintf(&b, "and it may last for more than %d years", Years)
		} else {
			fmt.Fprintf(&b, "of 19 in 20 by %s", o.Late)
		}
	}
	fmt.Fprintf(&b, ". The chance that it is used up before %s is %s.", before, chanceText(o.Before(before)))
	if o.Guessed > 0.5 {
		b.WriteString(" Most of its recorded use is an estimate.")
	}
	b.WriteString(" This is an estimate for planning; the limit is judged by what was counted.")
	return b.String()
}

// basis says what the rate is made from.
func (o *Outlook) basis() string {
	if o.OwnWeight >= 0.9 {
		return "by its own history"
	}
	others := fmt.Sprintf("%d other units of its kind", o.Peers)
	switch o.Peers {
	case 0:
		return "by its own history, of which there is little"
	case 1:
		others = "one other unit of its kind"
	}
	switch {
	case o.OwnWeight >= 0.5:
		return "by its own history more than " + others
	case o.OwnWeight >= 0.1:
		return "by " + others + " more than its own history"
	}
	return "by " + others
}

// rateText writes a rate with the precision that it is worth.
func rateText(rate float64, of Noun) string {
	switch {
	case rate < 0.05:
		return "less than 0.1 " + of.Many
	case rate < 9.95:
		text := fmt.Sprintf("%.1f", rate)
		if text == "1.0" {
			return "1 " + of.One
		}
		return strings.TrimSuffix(text, ".0") + " " + of.Many
	}
	return fmt.Sprintf("%.0f %s", rate, of.Many)
}

// chanceText writes a chance in whole hundredths; never as certain.
func chanceText(c float64) string {
	switch {
	case c < 0.005:
		return "less than 1%"
	case c > 0.995:
		return "more than 99%"
	}
	return fmt.Sprintf("%.0f%%", 100*c)
}

func capital(text string) string { return strings.ToUpper(text[:1]) + text[1:] }
