package compliancerpc

import (
	"encoding/binary"
	"regexp"
	"slices"
	"strings"

	"github.com/google/uuid"
)

// called maps what a request calls things to the UUIDs that due takes, and back.
//
// Where every name is a UUID, or a resource name that ends in one, those are the ids. Otherwise ids are given in the order
// of the names, so that what is decided by the greater id is decided by the greater name.
type called struct {
	ids   map[string]uuid.UUID
	names map[uuid.UUID]string
}

var uuidPattern = regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`)

func callBy(names []string) *called {
	c := &called{ids: make(map[string]uuid.UUID, len(names)), names: make(map[uuid.UUID]string, len(names))}
	for _, name := range names {
		tail := name[strings.LastIndexByte(name, '/')+1:]
		id, err := uuid.Parse(tail)
		if _, taken := c.names[id]; err != nil || id.String() != tail || id == (uuid.UUID{}) || taken {
			return c.number(names)
		}
		c.ids[name], c.names[id] = id, name
	}
	return c
}

// number gives ids in the order of the names.
func (c *called) number(names []string) *called {
	clear(c.ids)
	clear(c.names)
	sorted := slices.Compact(slices.Sorted(slices.Values(names)))
	for i, name := range sorted {
		var id uuid.UUID
		binary.BigEndian.PutUint64(id[8:], uint64(i+1))
		c.ids[name], c.names[id] = id, name
	}
	return c
}

// name returns what the request calls an id.
func (c *called) name(id uuid.UUID) string { return c.names[id] }

// replace puts names in a sentence for the ids in it.
func (c *called) replace(sentence string) string {
	return uuidPattern.ReplaceAllStringFunc(sentence, func(s string) string {
		if id, err := uuid.Parse(s); err == nil && c.names[id] != "" {
			return c.names[id]
		}
		return s
	})
}
