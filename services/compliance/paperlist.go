package compliance

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/promise"
)

// PaperList is what was safe to hand out at a shop when compliance last knew.
type PaperList struct {
	Shop     Shop
	Zone     *time.Location
	Printed  time.Time
	Complete time.Time // everything acknowledged by then is in it; zero if nobody can say
	Position Position
	Lines    []PaperLine // by kind, size and tag
	Blocked  []string    // tags of what may not be handed out, sorted
	Out      []string    // tags of what was out, sorted
	Cautions []string    // of the rule packs that apply to the lines
}

// PaperLine is a unit that may be handed out.
type PaperLine struct {
	Unit            uuid.UUID
	Tag, Kind, Size string
	UseBy           civil.Mark // last day of use; zero without a date limit
	Dives           *int64     // left, less what is promised; nil without such a limit
	PromisedTo      string     // for the day of the list; empty if it is free
}

// EndOfDay returns the last instant of the day of an instant, at a place.
func EndOfDay(at time.Time, zone *time.Location) time.Time {
	return civil.In(at, zone).AddDays(1).Start(zone).Add(-time.Microsecond)
}

// Add adds a set of the shop with the live promises of its unit: to what may be handed out if nothing stands against it now or until the end of the
// day, beside all that is promised of it, and there is something left for whom it is not promised to; to what may not otherwise, or where a part of it is away with
// somebody. What is fitted to another unit is nobody's to hand out.
func (l *PaperList) Add(set *Set, claims []promise.Claim, away bool, promisedTo func(promise.Claim) string) {
	st := set.Stand(l.Printed)
	if st.Fitted() || !InFleet(set.Self, l.Printed) {
		return
	}
	w := promise.Window{Start: l.Printed, End: EndOfDay(l.Printed, l.Zone)}
	if slices.ContainsFunc(claims, func(c promise.Claim) bool { return c.Out }) {
		l.Out = append(l.Out, set.Tag)
		return
	}
	told := Watched(set, l.Printed)
	line := PaperLine{Unit: set.Unit, Tag: set.Tag, Kind: set.Kind, Size: set.Size, UseBy: told.UseBy, Dives: told.Dives}
	var promised due.Amount
	for _, c := range claims {
		promised = promised.Plus(c.Expected)
		if c.Overlaps(w) && line.PromisedTo == "" {
			line.PromisedTo = promisedTo(c)
		}
	}
	wanted := promised
	if line.PromisedTo == "" {
		wanted = wanted.Plus(leastUse)
	}
	if away || len(Refuses(set, w.Start, w.End, wanted)) > 0 {
		l.Blocked = append(l.Blocked, set.Tag)
		return
	}
	if line.Dives != nil {
		*line.Dives = max(0, *line.Dives-promised.Dives)
	}
	for _, c := range st.Cautions {
		if !slices.Contains(l.Cautions, c) {
			l.Cautions = append(l.Cautions, c)
		}
	}
	l.Lines = append(l.Lines, line)
}

// leastUse is what somebody at least does with a unit who takes it.
var leastUse = due.Amount{Dives: 1, Hours: 1}

// Sort puts the list in order, once everything was added.
func (l *PaperList) Sort() {
	slices.SortFunc(l.Lines, func(a, b PaperLine) int {
		return cmp.Or(strings.Compare(a.Kind, b.Kind), strings.Compare(a.Size, b.Size), strings.Compare(a.Tag, b.Tag))
	})
	slices.Sort(l.Blocked)
	slices.Sort(l.Out)
	slices.Sort(l.Cautions)
}

// paperWidth is how many columns the text has at most.
const paperWidth = 80

// Text returns the list for a printer: lines of at most 80 columns, of nothing but printable characters, with what it cannot vouch for on top.
func (l *PaperList) Text() string {
	t := &paper{}
	clock := func(at time.Time) string {
		return at.In(l.Zone).Format("Monday 2 January 2006 15:04") + " (" + l.Zone.String() + ")"
	}
	t.say("", "PAPER LIST of "+l.Shop.Name+" ("+l.Shop.ID+"), for hand-outs while the gate is shut")
	t.say("", "Printed "+clock(l.Printed))
	t.rule()
	if l.Complete.IsZero() {
		t.say("", "NOBODY CAN SAY UNTIL WHEN THIS LIST IS COMPLETE. Do not hand out by it.")
	} else {
		t.say("", "COMPLETE UNTIL "+clock(l.Complete)+", "+age(l.Printed.Sub(l.Complete))+" before it was printed.")
		t.say("", "Whatever happened after that is NOT in it: no failed test, no damage, no recall, no hold.")
	}
	t.say("", "This list vouches for nothing. If in doubt, do not hand out.")
	t.say("", "The maker's manual and local rules go first. Check every unit before the dive as they say.")
	t.say("", "Note below what you hand out: tag, to whom, when. Enter it as soon as the service answers again, before anything else is handed out.")
	for _, c := range l.Cautions {
		t.say("", c)
	}
	t.rule()
	t.say("", fmt.Sprintf("MAY BE HANDED OUT (%d), as far as was known, until the end of %s:", len(l.Lines), l.Printed.In(l.Zone).Format("Monday 2 January 2006")))
	t.widen(l.Lines)
	t.columns("    tag", "kind", "size", "use by", "dives", "kept for")
	for i := range l.Lines {
		t.unit(&l.Lines[i])
	}
	if len(l.Lines) == 0 {
		t.say("    ", "none")
	}
	t.rule()
	t.say("", fmt.Sprintf("MUST NOT BE HANDED OUT (%d), whatever it looks like:", len(l.Blocked)))
	t.tags(l.Blocked)
	t.rule()
	t.say("", fmt.Sprintf("OUT WHEN THIS WAS PRINTED (%d): note them as they come back, with dives and damage, and do not hand them out again by this list:", len(l.Out)))
	t.tags(l.Out)
	t.rule()
	t.say("", "HANDED OUT BY THIS LIST, to be entered:")
	t.line("tag             to whom                       out at      back at     dives")
	for range min(max(len(l.Lines), 5), 40) {
		t.line("")
		t.line("______________  ____________________________  __________  __________  _____")
	}
	return t.b.String()
}

// age says how long a time is.
func age(d time.Duration) string {
	switch d = d.Round(time.Minute); {
	case d < time.Minute:
		return "less than a minute"
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d/time.Minute))
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", int(d/time.Hour), int(d%time.Hour/time.Minute))
	}
	return fmt.Sprintf("%d DAYS", int(d/(24*time.Hour)))
}

// paper is text for a printer.
type paper struct {
	b      strings.Builder
	widths [6]int // of the columns of the table; the last has the rest
}

func (t *paper) line(s string) {
	t.b.WriteString(s)
	t.b.WriteByte('\n')
}

func (t *paper) rule() { t.line(strings.Repeat("-", paperWidth)) }

// say writes words, and goes on in the next line where they do not fit, indented by what is given.
func (t *paper) say(indent, text string) {
	line := indent
	for _, word := range strings.Fields(printable(text)) {
		for {
			sep := " "
			if line == indent {
				sep = ""
			}
			if columns(line)+columns(sep)+columns(word) <= paperWidth {
				line += sep + word
				break
			}
			if line != indent {
				t.line(line)
				line = indent
				continue
			}
			head, rest := clip(word, paperWidth-columns(indent)) // a word that fills more than a line
			t.line(indent + head)
			word = rest
		}
	}
	if line != indent {
		t.line(line)
	}
}

func (t *paper) tags(all []string) {
	if len(all) == 0 {
		all = []string{"none"}
	}
	t.say("    ", strings.Join(all, "  "))
}

// widestColumn is how wide a column gets; what needs more goes in lines of its own.
const widestColumn = 26

// widen gives columns whose texts need more what the others do not need.
func (t *paper) widen(lines []PaperLine) {
	t.widths = [...]int{20, 18, 6, 11, 6, 18}
	var need [len(t.widths)]int
	for i := range lines {
		for k, text := range map[int]string{0: "[ ] " + lines[i].Tag, 1: lines[i].Kind, 2: lines[i].Size, 5: lines[i].PromisedTo} {
			if n := columns(printable(text)) + 1; n <= widestColumn {
				need[k] = max(need[k], n)
			}
		}
	}
	for _, k := range []int{2, 1, 0} {
		for _, from := range []int{0, 1, 5} {
			least := max(need[from], 10)
			if more := min(need[k]-t.widths[k], t.widths[from]-least); more > 0 && from != k {
				t.widths[k] += more
				t.widths[from] -= more
			}
		}
	}
}

// columns writes a row of the table if everything fits in, and says whether it does.
func (t *paper) columns(cells ...string) bool {
	var row strings.Builder
	for i, c := range cells {
		c = printable(c)
		if columns(c) > t.widths[i]-1 && i < len(t.widths)-1 || columns(c) > t.widths[i] {
			return false
		}
		row.WriteString(c + strings.Repeat(" ", t.widths[i]-columns(c)))
	}
	t.line(strings.TrimRight(row.String(), " "))
	return true
}

// unit writes a line of the list; in several if it is too long for one.
func (t *paper) unit(l *PaperLine) {
	useBy, dives := "-", "-"
	if !l.UseBy.IsZero() {
		useBy = l.UseBy.First().String()
	}
	if l.Dives != nil {
		dives = fmt.Sprint(*l.Dives)
	}
	if t.columns("[ ] "+l.Tag, l.Kind, l.Size, useBy, dives, l.PromisedTo) {
		return
	}
	t.say("", "[ ] "+l.Tag)
	text := l.Kind
	if l.Size != "" {
		text += ", size " + l.Size
	}
	if !l.UseBy.IsZero() {
		text += ", use by " + useBy
	}
	if l.Dives != nil {
		text += ", " + dives + " dives left"
	}
	if l.PromisedTo != "" {
		text += ", kept for " + l.PromisedTo
	}
	t.say("        ", text)
}

// printable replaces what no printer prints.
func printable(s string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) || unicode.Is(unicode.Mn, r) || unicode.Is(unicode.Me, r) {
			return '?'
		}
		return r
	}, s)
}

// columns returns how many columns a text takes, those of wide scripts two.
func columns(s string) (n int) {
	for _, r := range s {
		n += columnsOf(r)
	}
	return n
}

func columnsOf(r rune) int {
	if r >= 0x1100 {
		return 2
	}
	return 1
}

// clip returns as much of a word as fits in some columns, and the rest.
func clip(word string, width int) (head, rest string) {
	n := 0
	for i, r := range word {
		if n += columnsOf(r); n > width {
			return word[:i], word[i:]
		}
	}
	return word, ""
}
