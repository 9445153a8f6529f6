package compliancepg

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// dateOf returns a mark as a date column and a flag for a month mark.
func dateOf(m civil.Mark) (*time.Time, bool) {
	if m.IsZero() {
		return nil, false
	}
	t := m.First().Start(time.UTC)
	return &t, m.IsMonth()
}

func markOf(t *time.Time, month bool) civil.Mark {
	if t == nil {
		return civil.Mark{}
	}
	y, m, _ := t.Date()
	if month {
		return civil.Month(y, m)
	}
	return civil.Day(civil.In(*t, time.UTC))
}

// instant returns a column's value: nil for the zero instant.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func instantOf(t *time.Time) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.UTC()
}

func attributes(m map[string]string) map[string]string {
	if m == nil {
		return map[string]string{}
	}
	return m
}
