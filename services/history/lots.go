package history

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/errs"
)

// Lot is parts of one make and batch. It is registered once and does not change.
type Lot struct {
	ID        string     // chosen by people
	Part      string     // id of the part, as procedures call it; empty for a kit
	Title     string     // what it is, for people
	LotNumber string     // the maker's, as printed on the bag
	Supplier  string     // who supplied it
	Expires   civil.Mark // last day, or month, of its shelf life; the zero Mark if it has none
	Quantity  int64      // how many parts came; 0 if nobody counted
	Recorder  string     // who registered it
	Created   time.Time  // to the microsecond
}

// lotField is a field of a lot that people state, by its name in the proto.
type lotField struct{ name, value string }

// stated returns what people state of a lot.
func (l *Lot) stated() []lotField {
	return []lotField{
		{"part", l.Part}, {"title", l.Title}, {"lot_number", l.LotNumber}, {"supplier", l.Supplier}, {"expire_date", l.Expires.String()}, {"quantity", fmt.Sprint(l.Quantity)},
	}
}

// Check refuses texts that look like another on a page and are not the same: with characters that cannot be seen, or with space around them. INVALID_FIELD.
func (l *Lot) Check() error {
	var bad []errs.Violation
	for _, f := range l.stated() {
		switch at := (errs.Violation{Field: "lot." + f.name, Value: f.value, Reason: "INVALID_FIELD"}); {
		case strings.ContainsFunc(f.value, func(r rune) bool { return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) }):
			at.Value = fmt.Sprintf("%+q", f.value)
			at.Description = "has a character that cannot be seen; take it out"
			bad = append(bad, at)
		case f.value != strings.TrimSpace(f.value):
			at.Description = "begins or ends with space; take it out"
			bad = append(bad, at)
		}
	}
	if len(bad) > 0 {
		return errs.Fields(bad...)
	}
	return nil
}

// Agree says whether two lots are stated alike. If not, the error (ALREADY_EXISTS) names the first field that differs, with both values; resource is what
// stands already.
func (l *Lot) Agree(stands *Lot, resource string) error {
	have := stands.stated()
	for i, f := range l.stated() {
		if f.value == have[i].value {
			continue
		}
		e := errs.Taken(resource).With("field", "lot."+f.name).With("value", f.value).With("stands", have[i].value)
		e.Message = fmt.Sprintf("%s exists already, and its lot.%s is %q, not %q: a lot does not change, so give another one an id of its own", resource, f.name, have[i].value, f.value)
		return e
	}
	return nil
}

// PartUse says that parts of a lot went into a unit, or came out again. It follows from one entry of the ledger.
type PartUse struct {
	Sequence int64 // of the entry
	Entry    uuid.UUID
	Unit     uuid.UUID
	Order    uuid.UUID // in which
	Lot      string    // id
	Part     string    // id of the part, as the order's procedure calls it
	Count    int       // how many went in; below zero: came out, or never went in because the event was withdrawn. Never 0
	Occurred time.Time // to the microsecond
}
