package notice

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
)

// Sentence says a change in one sentence for people. Title is the rule's line.
func (c *Change) Sentence(tag, title string) string {
	return tag + ": " + title + " " + c.says() + "."
}

func (c *Change) says() string {
	s, last := &c.To, ""
	if !s.DueOn.IsZero() {
		last = "; last day of use " + Day(s.DueOn.First())
	}
	if !s.Runs() {
		return "does not apply to the unit any more"
	}
	if c.From.State == s.State { // only whether it blocks has changed
		if s.Blocking {
			return "is not excused any more: it is " + s.word() + ", and the unit is blocked"
		}
		return "is " + s.word() + ", and is excused for now"
	}
	var out string
	switch s.State {
	case due.Fine:
		out = "is fine again" + last
		if !c.From.Runs() {
			out = "applies to the unit from now on" + last
		}
	case due.DueSoon:
		out = "is due soon" + last
		if s.Left != "" {
			out = "is due soon; " + s.Left + " left"
		}
	case due.Due:
		out = "is due; this is the last day of use"
		if s.Left != "" {
			out = "is due; nothing is left of its limit"
		}
	case due.Overdue:
		out = "is overdue; the last day of use was " + Day(s.DueOn.First())
		if s.Left != "" {
			out = "is overdue; more was used than its limit allows"
		}
	case due.NoAnchor:
		out = "has nothing on record to count from"
	}
	if s.State >= due.Due && !s.Blocking && (s.State != due.Due || s.Left != "") {
		out += "; it is excused for now"
	}
	return out
}

// word names a state inside a sentence.
func (s *Standing) word() string {
	switch s.State {
	case due.Fine:
		return "fine"
	case due.DueSoon:
		return "due soon"
	case due.Due:
		return "due"
	case due.Overdue:
		return "overdue"
	case due.NoAnchor:
		return "without anything to count from"
	}
	return "not applied"
}

// Day writes a day for people.
func Day(d civil.Date) string {
	y, m, day := d.Parts()
	return fmt.Sprintf("%d %s %d", day, m, y)
}

// Told counts the notices of a digest by what they tell.
type Told struct {
	DueSoon, Due, Overdue, NoAnchor, Fine, Other int64
}

// Lines says a digest in a few lines for people.
func (d *Digest) Lines(t Told) []string {
	var parts []string
	for _, p := range [...]struct {
		n    int64
		what string
	}{
		{t.Overdue, "overdue"}, {t.Due, "due"}, {t.NoAnchor, "without anything to count from"}, {t.DueSoon, "due soon"},
		{t.Fine, "fine again or new"}, {t.Other, "not applied any more"},
	} {
		if p.n > 0 {
			parts = append(parts, count(p.n, "rule")+" "+p.what)
		}
	}
	first := "Nothing became due, overdue or fine again."
	if len(parts) > 0 {
		first = "Since the digest before: " + strings.Join(parts, ", ") + "."
	}
	return []string{
		first,
		fmt.Sprintf("At the end of %s %s past what they allow, and %s due soon.", Day(d.Day), are(d.Blocking), are(d.DueSoon)),
	}
}

func are(n int64) string {
	switch n {
	case 0:
		return "no rules were"
	case 1:
		return "1 rule was"
	}
	return strconv.FormatInt(n, 10) + " rules were"
}

func count(n int64, what string) string {
	if n == 1 || n == -1 {
		return strconv.FormatInt(n, 10) + " " + what
	}
	return strconv.FormatInt(n, 10) + " " + what + "s"
}

// hours writes running time in hours and minutes.
func hours(d time.Duration) string {
	d = d.Truncate(time.Minute)
	if m := d % time.Hour / time.Minute; m != 0 {
		return fmt.Sprintf("%dh%02dm", d/time.Hour, max(m, -m))
	}
	return count(int64(d/time.Hour), "hour")
}
