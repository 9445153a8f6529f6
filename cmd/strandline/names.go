package main

import (
	"context"
	"fmt"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
	registrypb "strandline.example/strandline/proto/strandline/registry/v1"
)

// unit finds the unit that a person means: by asset tag, by UUID or by full name.
func (c *clients) unit(ctx context.Context, what string) (*registrypb.Unit, error) {
	name := what
	if id, err := uuid.Parse(what); err == nil && len(what) == 36 {
		name = c.Org.Name() + "/units/" + id.String()
	}
	if strings.HasPrefix(name, "orgs/") {
		r, err := c.Registry.GetUnit(ctx, &registrypb.GetUnitRequest{Name: name})
		return r.GetUnit(), err
	}
	if strings.ContainsAny(what, "\"\\") {
		return nil, errs.New(errs.Invalid, "INVALID_FIELD", fmt.Sprintf("%q is not an asset tag", what))
	}
	r, err := c.Registry.ListUnits(ctx, &registrypb.ListUnitsRequest{Parent: c.Org.Name(), PageSize: 10, Filter: "asset_tag = " + strconv.Quote(what)})
	if err != nil {
		return nil, err
	}
	// A retired unit's tag may be used again: the living one is meant, or the retired one if it is the only one.
	var living, retired []*registrypb.Unit
	for _, u := range r.GetUnits() {
		if u.GetState() == registrypb.Unit_STATE_RETIRED {
			retired = append(retired, u)
		} else {
			living = append(living, u)
		}
	}
	switch {
	case len(living) > 0:
		return living[0], nil
	case len(retired) == 1:
		return retired[0], nil
	case len(retired) > 1:
		var names []string
		for _, u := range retired {
			names = append(names, u.GetName())
		}
		return nil, &usageError{msg: fmt.Sprintf("several retired units had the tag %s; say which by name:\n  %s", what, strings.Join(names, "\n  ")), quiet: true}
	}
	return nil, errs.New(errs.NotFound, "NOT_FOUND", "no unit of "+c.Org.Name()+" has the tag "+what, "assetTag", what)
}

// name returns the full name of a resource given its id or its full name.
func (c *clients) name(collection, what string) string {
	if what == "" || strings.HasPrefix(what, "orgs/") {
		return what
	}
	return c.Org.Name() + "/" + collection + "/" + what
}

func (c *clients) shop(what string) string       { return c.name("shops", what) }
func (c *clients) model(what string) string      { return c.name("models", what) }
func (c *clients) technician(what string) string { return c.name("technicians", what) }
func (c *clients) rulePack(what string) string   { return c.name("rulePacks", what) }

// lastID returns the last part of a resource name, which is what people say.
func lastID(name string) string { return name[strings.LastIndex(name, "/")+1:] }

// tags looks up the tags of units by name, for tables.
func (c *clients) tags(ctx context.Context, names []string) map[string]string {
	out := map[string]string{}
	var ask []string
	for _, n := range names {
		if _, seen := out[n]; n != "" && !seen {
			out[n] = lastID(n)
			ask = append(ask, n)
		}
	}
	for len(ask) > 0 {
		n := min(len(ask), 1000)
		r, err := c.Registry.BatchGetUnits(ctx, &registrypb.BatchGetUnitsRequest{Parent: c.Org.Name(), Names: ask[:n]})
		if err != nil {
			return out // ids instead of tags are better than no table
		}
		for _, u := range r.GetUnits() {
			out[u.GetName()] = u.GetAssetTag()
		}
		ask = ask[n:]
	}
	return out
}

// entry finds the entry of a unit that a person means: by full name, by UUID, or by its number in the ledger.
func (c *clients) entry(ctx context.Context, unit *registrypb.Unit, what string) (*historypb.Entry, error) {
	name := what
	if id, err := uuid.Parse(what); err == nil && len(what) == 36 {
		name = unit.GetName() + "/entries/" + id.String()
	}
	if strings.HasPrefix(name, "orgs/") {
		r, err := c.History.GetEntry(ctx, &historypb.GetEntryRequest{Name: name})
		return r.GetEntry(), err
	}
	number, err := strconv.ParseInt(strings.TrimPrefix(what, "#"), 10, 64)
	if err != nil {
		return nil, usagef("%q is neither an entry's number in the ledger, nor its UUID, nor its name; 'strandline history %s' lists them", what, unit.GetAssetTag())
	}
	entries, err := pages(ctx, 0, func(ctx context.Context, size int32, token string) ([]*historypb.Entry, string, error) {
		r, err := c.History.ListEntries(ctx, &historypb.ListEntriesRequest{Parent: unit.GetName(), PageSize: size, PageToken: token})
		return r.GetEntries(), r.GetNextPageToken(), err
	})
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		if e.GetSequence() == number {
			return e, nil
		}
	}
	return nil, errs.New(errs.NotFound, "NOT_FOUND", fmt.Sprintf("entry %d is not one of %s; 'strandline history %[2]s' lists them", number, unit.GetAssetTag()))
}

// entryNumbers returns what to call the entries that a standing's clocks count from: by their number in the ledger, as history lists
// them.
func (c *clients) entryNumbers(ctx context.Context, s *compliancepb.Standing) map[string]string {
	out := map[string]string{}
	for _, clock := range s.GetClocks() {
		name := clock.GetAnchorEntry()
		if name == "" || out[name] != "" {
			continue
		}
		r, err := c.History.GetEntry(ctx, &historypb.GetEntryRequest{Name: name})
		if err != nil {
			return out // ids instead of numbers are better than no answer
		}
		out[name] = fmt.Sprintf("entry %d of the ledger", r.GetEntry().GetSequence())
	}
	return out
}

// pages reads every page of a list, or as many as hold limit items (0 for all).
func pages[T any](ctx context.Context, limit int, next func(ctx context.Context, size int32, token string) ([]T, string, error)) ([]T, error) {
	var all []T
	token := ""
	for {
		size := 1000
		if limit > 0 {
			size = min(size, limit-len(all))
		}
		items, more, err := next(ctx, int32(size), token)
		if err != nil {
			return nil, err
		}
		all = append(all, items...)
		if more == "" || (limit > 0 && len(all) >= limit) {
			return all, nil
		}
		token = more
	}
}
