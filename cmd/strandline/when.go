package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// edge says which moment a day alone means.
type edge int

const (
	dayStart edge = iota
	dayEnd
)

// errZone says that text needs a time zone to be an instant.
var errZone = errors.New("the time zone is not known")

// parseInstant reads an instant: RFC 3339, or a day with or without a time of day in zone loc. Without a zone (nil), a day
// alone is noon UTC of it, and a day with a time is errZone.
func parseInstant(text string, loc *time.Location, e edge) (time.Time, error) {
	text = strings.TrimSpace(text)
	if t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text)); err == nil {
		return t.UTC(), nil
	}
	if d, err := time.Parse(time.DateOnly, text); err == nil {
		day := civil.New(d.Date())
		switch {
		case loc == nil:
			return time.Date(d.Year(), d.Month(), d.Day(), 12, 0, 0, 0, time.UTC), nil
		case e == dayEnd:
			return day.AddDays(1).Start(loc).Add(-time.Second).UTC(), nil
		}
		return day.Start(loc).UTC(), nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05"} {
		d, err := time.Parse(layout, text)
		if err != nil {
			continue
		}
		if loc == nil {
			return time.Time{}, errZone
		}
		t := time.Date(d.Year(), d.Month(), d.Day(), d.Hour(), d.Minute(), d.Second(), 0, loc)
		if t.Format(time.DateTime) != d.Format(time.DateTime) {
			return time.Time{}, fmt.Errorf("%s does not exist in %s: clocks were put forward over it", text, loc)
		}
		return t.UTC(), nil
	}
	return time.Time{}, errors.New("want RFC 3339 such as 2026-06-05T09:30:00Z, or 2026-06-05, or '2026-06-05 09:30'")
}

// zone returns the time zone of a shop; of all shops of the org if shop is empty and they agree; else nil.
func (c *clients) zone(ctx context.Context, shop string) (*time.Location, error) {
	if shop != "" {
		r, err := c.Registry.GetShop(ctx, &registrypb.GetShopRequest{Name: shop})
		if err != nil {
			return nil, err
		}
		return time.LoadLocation(r.GetShop().GetTimeZone())
	}
	shops, err := c.shops(ctx)
	if err != nil || len(shops) == 0 {
		return nil, err
	}
	for _, s := range shops[1:] {
		if s.GetTimeZone() != shops[0].GetTimeZone() {
			return nil, nil
		}
	}
	return time.LoadLocation(shops[0].GetTimeZone())
}

// shops reads the shops of the org.
func (c *clients) shops(ctx context.Context) ([]*registrypb.Shop, error) {
	return pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*registrypb.Shop, string, error) {
		r, err := c.Registry.ListShops(ctx, &registrypb.ListShopsRequest{Parent: c.Org.Name(), PageSize: size, PageToken: token})
		return r.GetShops(), r.GetNextPageToken(), err
	})
}

// instant reads the instant of a flag in the zone of a shop; nil for empty text.
func (c *clients) instant(ctx context.Context, flag, text, shop string, e edge) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	if t, err := time.Parse(time.RFC3339Nano, strings.ToUpper(text)); err == nil {
		return timestamppb.New(t), nil
	}
	loc, err := c.zone(ctx, shop)
	if err != nil {
		return nil, err
	}
	t, err := parseInstant(text, loc, e)
	switch {
	case errors.Is(err, errZone):
		return nil, usagef("--%s %q: the shops are in different time zones; pass --shop, or write it with its zone such as 2026-06-05T09:30:00Z", flag, text)
	case err != nil:
		return nil, usagef("--%s %q: %v", flag, text, err)
	}
	return timestamppb.New(t), nil
}

// dayInstant reads the instant of a flag about days that are the same everywhere: a day alone is noon UTC of it, wherever the shops
// are; nil for empty text.
func dayInstant(flag, text string) (*timestamppb.Timestamp, error) {
	if text == "" {
		return nil, nil
	}
	t, err := parseInstant(text, nil, dayStart)
	switch {
	case errors.Is(err, errZone):
		return nil, usagef("--%s %q: want a day such as 2026-06-05, or an instant with its zone such as 2026-06-05T09:30:00Z", flag, text)
	case err != nil:
		return nil, usagef("--%s %q: %v", flag, text, err)
	}
	return timestamppb.New(t), nil
}

// parseMark reads a date or month as marked on a unit; nil for empty text.
func parseMark(flag, text string) (*date.Date, error) {
	if text == "" {
		return nil, nil
	}
	var y, m, d int
	var err error
	switch strings.Count(text, "-") {
	case 1:
		_, err = fmt.Sscanf(text, "%4d-%2d", &y, &m)
	case 2:
		if _, err = fmt.Sscanf(text, "%4d-%2d-%2d", &y, &m, &d); err == nil && d == 0 {
			err = errors.New("day 0")
		}
	default:
		err = errors.New("no date")
	}
	mark, merr := civil.MarkOf(y, m, d)
	if err != nil || merr != nil || mark.String() != text {
		if err == nil && merr != nil {
			return nil, usagef("--%s %q: %v", flag, text, merr)
		}
		return nil, usagef("--%s %q: want a day or a month such as 2026-06-05 or 2026-06", flag, text)
	}
	return &date.Date{Year: int32(y), Month: int32(m), Day: int32(d)}, nil
}

// parseRunning reads a running time; nil for empty text.
func parseRunning(flag, text string) (*durationpb.Duration, error) {
	if text == "" {
		return nil, nil
	}
	d, err := time.ParseDuration(text)
	if err != nil || d < 0 {
		return nil, usagef("--%s %q: want a running time such as 1h30m, 45m or 250h", flag, text)
	}
	return durationpb.New(d), nil
}

// showDate prints a civil date or a month mark.
func showDate(d *date.Date) string {
	if d == nil {
		return ""
	}
	m, err := civil.MarkOf(int(d.GetYear()), int(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		return ""
	}
	return m.String()
}

// showInstant prints an instant for people, in a zone if one is known.
func showInstant(t *timestamppb.Timestamp, loc *time.Location) string {
	if t == nil {
		return ""
	}
	if loc == nil {
		return t.AsTime().UTC().Format("2006-01-02 15:04Z")
	}
	return t.AsTime().In(loc).Format("2006-01-02 15:04")
}

// showRunning prints a running time in hours and minutes.
func showRunning(d *durationpb.Duration) string {
	if d == nil {
		return ""
	}
	s := d.AsDuration().String()
	s = strings.TrimSuffix(s, "0s")
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	if s == "" {
		return "0h"
	}
	return s
}
