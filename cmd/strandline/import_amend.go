package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/sheet"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// targets are the rows of this import that its amendments may mean: only those of units that amendments.csv speaks of are
// kept, so that a large usage file is not.
type targets struct {
	tags map[string]bool
	rows map[string][]target // by tag
}

type target struct {
	entry     *historypb.Entry
	reference string
	origin    *importFile
}

func (t *targets) note(f *importFile, tag, reference string, e *historypb.Entry) {
	const most = 100_000 // entries of one unit; beyond that the ledger is asked
	if t.tags[tag] && f.typ.name != "amendments" && len(t.rows[tag]) < most {
		t.rows[tag] = append(t.rows[tag], target{proto.Clone(e).(*historypb.Entry), reference, f})
	}
}

// lookFor reads which units the amendment files speak of. What is wrong with them is reported later.
func (im *importer) lookFor(files []*importFile) error {
	im.targets = &targets{tags: map[string]bool{}, rows: map[string][]target{}}
	for _, f := range files {
		if f.typ.name != "amendments" {
			continue
		}
		file, err := f.open()
		if err != nil {
			return err
		}
		d := sheet.Open(f.label, file, f.typ.schema, sheet.Options{Encoding: im.encoding})
		for r := d.Next(); r != nil; r = d.Next() {
			im.targets.tags[r.Text("tag")] = true
		}
		if err := errors.Join(d.Err(), file.Close()); err != nil {
			return err
		}
	}
	return nil
}

// kindOf names what an entry tells of by the file type it would come from.
func kindOf(e *historypb.Entry) string {
	switch e.GetDetail().(type) {
	case *historypb.Entry_Usage:
		return "usage"
	case *historypb.Entry_Service:
		return "service"
	case *historypb.Entry_Test:
		return "test"
	case *historypb.Entry_Condition:
		return "condition"
	}
	return "amendment"
}

func amendmentEntry(c *check, r *sheet.Row) *historypb.Entry {
	e, u, at, ok := c.begin(r)
	if !ok {
		return nil
	}
	reason := r.Need("reason", "write why the entry was wrong")
	t := c.target(r, u)
	void := r.Choice("void", "yes", "no", "true", "false", "x")
	if t == nil || r.Bad {
		return nil
	}
	a := &historypb.Amendment{CorrectedEntry: t.GetName(), Reason: reason}
	content := "void"
	if void == "" || void == "no" || void == "false" {
		a.Replacement, content = c.replacement(r, t, u)
		if a.Replacement == nil {
			return nil
		}
	} else if r.Text("dives")+r.Text("hours")+r.Text("fills")+r.Text("activities")+r.Text("outcome")+r.Text("condition")+r.Text("new_date")+r.Text("reading")+r.Text("new_start")+r.Text("rollover")+r.Text("estimated")+r.Text("celsius") != "" {
		r.Problem("void", "the row says that the entry never happened, and what is right instead", "empty this cell, or the others")
		return nil
	}
	e.Detail = &historypb.Entry_Amendment{Amendment: a}
	return c.identify(r, e, u, at, "", "corrects="+lastID(t.GetName())+" "+content)
}

// target finds the entry that a row corrects: among the rows of this import, else in the ledger.
func (c *check) target(r *sheet.Row, u *knownUnit) *historypb.Entry {
	ref := r.Text("corrects")
	kind := strings.TrimSuffix(r.Choice("corrects_type", "usage", "service", "test", "condition", "services", "tests", "conditions"), "s")
	column := "corrects"
	var from, before time.Time
	if r.Text("corrects_date") != "" {
		zone := c.zone(u.shop())
		t, ok := r.Instant("corrects_date", "corrects_time", zone)
		if !ok {
			return nil
		}
		zone = c.zone(u.at(t))
		if t, ok = r.Instant("corrects_date", "corrects_time", zone); !ok {
			return nil
		}
		from, before = t, t.Add(time.Minute)
		if r.Text("corrects_time") == "" && !strings.Contains(r.Text("corrects_date"), ":") {
			day := civil.In(t, zone)
			from, before = day.Start(zone), day.AddDays(1).Start(zone)
		}
		if ref == "" {
			column = "corrects_date"
		}
	} else if ref == "" {
		if !r.Bad {
			r.Problem("corrects", "the row does not say which entry it corrects", "write its reference here, or its date in corrects_date (and corrects_type)")
		}
		return nil
	}
	if r.Bad {
		return nil
	}
	means := func(e *historypb.Entry, reference string) bool {
		t := e.GetOccurredTime().AsTime()
		return kindOf(e) != "amendment" && (ref == "" || reference == ref) && (kind == "" || kindOf(e) == kind) && (from.IsZero() || !t.Before(from) && t.Before(before))
	}
	found := map[string]*historypb.Entry{}
	for _, t := range c.im.targets.rows[u.tag] {
		if means(t.entry, t.reference) {
			found[t.entry.GetName()] = t.entry
			c.need(t.origin)
			if t.origin.state != stateImported {
				c.im.local[t.entry.GetName()] = true
			}
		}
	}
	if u.origin == nil && c.im.clients != nil {
		entries, err := c.im.ledger(c.im.ctx, u, from, before)
		if err != nil {
			c.err = err
			return nil
		}
		for _, e := range entries {
			if means(e, e.GetUsage().GetReference()) {
				found[e.GetName()] = e
			}
		}
	}
	switch len(found) {
	case 0:
		r.Problem(column, "this unit has no such entry", "correct it; 'strandline history "+u.tag+"' lists the unit's entries")
		return nil
	case 1:
		for _, e := range found {
			return e
		}
	}
	r.Problem(column, fmt.Sprintf("%d entries of this unit fit", len(found)), "say which by corrects_type, corrects_date and corrects_time")
	return nil
}

// ledger reads the unit's entries, of a span if from is set.
func (im *importer) ledger(ctx context.Context, u *knownUnit, from, before time.Time) ([]*historypb.Entry, error) {
	req := &historypb.ListEntriesRequest{Parent: u.name}
	if !from.IsZero() {
		req.OccurredFromTime, req.OccurredBeforeTime = timestamppb.New(from), timestamppb.New(before)
	}
	return pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.Entry, string, error) {
		req.PageSize, req.PageToken = size, token
		r, err := im.clients.History.ListEntries(ctx, req)
		return r.GetEntries(), r.GetNextPageToken(), err
	})
}

// replacement reads what is right instead of entry t; nil if the row does not say, which is then reported.
func (c *check) replacement(r *sheet.Row, t *historypb.Entry, u *knownUnit) (rep *historypb.Replacement, content string) {
	rep = &historypb.Replacement{OccurredTime: t.GetOccurredTime()}
	if r.Text("new_date") != "" {
		zone := c.zone(u.at(t.GetOccurredTime().AsTime()))
		at, ok := r.Instant("new_date", "new_time", zone)
		if !ok || !c.past(r, "new_date", at) {
			return nil, ""
		}
		if civil.In(at, zone) < u.commissioned {
			r.Problem("new_date", fmt.Sprintf("the unit entered the fleet on %s, after this", u.commissioned), "correct the date")
			return nil, ""
		}
		rep.OccurredTime = timestamppb.New(at)
	}
	has := func(columns ...string) bool {
		for _, col := range columns {
			if r.Text(col) != "" {
				return true
			}
		}
		return false
	}
	// What the row leaves out is right as it stands.
	switch d := t.GetDetail().(type) {
	case *historypb.Entry_Usage:
		usage := proto.Clone(d.Usage).(*historypb.Usage)
		reading := usage.GetReading()
		switch {
		case reading != nil && has("dives", "hours", "fills"):
			r.Problem("dives", "the entry is a meter reading, not an increment", "write what the meter showed under reading, and leave dives, hours and fills empty")
			return nil, ""
		case reading == nil && has("reading", "new_start", "rollover"):
			r.Problem("reading", "the entry is no meter reading", "write the right number under dives, hours or fills")
			return nil, ""
		case has("dives", "hours", "fills"):
			inc, ok := c.increments(r)
			if !ok {
				return nil, ""
			}
			usage.Amount = &historypb.Usage_Increment{Increment: inc}
			content = usageContent(inc)
		case has("reading", "new_start", "rollover"):
			c.metered(r, measureOf(reading), reading)
			content = fmt.Sprintf("%s=%d start=%d rollover=%d", measureOf(reading), shown(reading), reading.GetReplacementStart(), reading.GetRollover())
		}
		content += c.circumstances(r, usage)
		rep.Detail = &historypb.Replacement_Usage{Usage: usage}
	case *historypb.Entry_Service:
		s := proto.Clone(d.Service).(*historypb.Service)
		if has("activities", "outcome", "marked", "provider") {
			right, text := c.serviceDetail(r)
			s, content = right, text
		}
		rep.Detail = &historypb.Replacement_Service{Service: s}
	case *historypb.Entry_Test:
		s := proto.Clone(d.Test).(*historypb.Test)
		if has("activities", "outcome", "marked", "provider") {
			right, text := c.testDetail(r, "activities")
			s, content = right, text
		}
		rep.Detail = &historypb.Replacement_Test{Test: s}
	case *historypb.Entry_Condition:
		s := proto.Clone(d.Condition).(*historypb.Condition)
		if has("condition", "severity") {
			right, text := c.conditionDetail(r)
			s, content = right, text
		}
		rep.Detail = &historypb.Replacement_Condition{Condition: s}
	}
	if r.Bad {
		return nil, ""
	}
	if content == "" && !has("new_date") {
		r.Problem("reason", "the row does not say what is right instead", "fill in the columns that were wrong, or write yes under void if it never happened")
		return nil, ""
	}
	return rep, content + " " + rep.GetOccurredTime().AsTime().Format(time.RFC3339)
}
