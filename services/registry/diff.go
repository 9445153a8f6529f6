package registry

import (
	"maps"
	"slices"
	"strings"
)

// difference is one field in which two records differ.
type difference struct{ field, new, old string }

type differences []difference

func (d *differences) text(field, new, old string) {
	if new != old {
		*d = append(*d, difference{field, new, old})
	}
}

func (d *differences) attributes(field string, new, old map[string]string) {
	if !maps.Equal(new, old) {
		*d = append(*d, difference{field, printed(new), printed(old)})
	}
}

// problems says that a record exists with other content: an import never changes what is there.
func (d differences) problems(resource string) (ps Problems) {
	for _, x := range d {
		has := "no " + x.field
		if x.old != "" {
			has = x.field + " " + x.old
		}
		p := exists(x.field, resource)
		p.Value = x.new
		p.Description = resource + " exists with " + has + "; an import changes nothing: update it, or correct the row"
		ps = append(ps, p)
	}
	return ps
}

func printed(m map[string]string) string {
	var b strings.Builder
	for i, k := range slices.Sorted(maps.Keys(m)) {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(k + "=" + m[k])
	}
	return b.String()
}
