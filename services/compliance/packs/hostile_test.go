package packs

import (
	"fmt"
	"runtime/metrics"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/yamlproto"
)

// What reading a file may take at worst, however hostile. Measured are a twentieth of the time and half of the memory.
const (
	mostTime  = 30 * time.Second
	mostBytes = 400 << 20 // allocated in all, most of it for a moment only
)

// allocated returns how many bytes this process has allocated so far.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// hostileFile asks for more time, stack or memory than a file may take.
type hostileFile struct {
	text string
	told string // how the first problem begins: line:column and words
}

// longest is as much of a text, repeated, as a file may have.
func longest(s string) string { return strings.Repeat(s, yamlproto.MaxFile/len(s)) }

// most is as much of a text, repeated, as may be parsed with a little around it; per repeat it has so many marks.
func most(marks int, s string) string {
	return strings.Repeat(s, min((yamlproto.MaxMarks-100)/marks, (yamlproto.MaxFile-100)/len(s)))
}

// withPredicates is a pack in which every rule has a predicate; each has its number, %d, in it, so that no two are the same.
func withPredicates(rules int, predicate string) string {
	var s strings.Builder
	s.WriteString("title: a\neffectiveDate: {year: 2026, month: 1, day: 1}\nrules:\n")
	for i := range rules {
		fmt.Fprintf(&s, "- {id: a%d, title: A, activity: a, authority: AUTHORITY_HOUSE, source: {document: d}, scope: {where: '%s'}, limit: {months: 1}, blocks: [USE_FILL]}\n", i, strings.ReplaceAll(predicate, "%d", fmt.Sprint(i)))
	}
	return s.String()
}

func hostileFiles() map[string]hostileFile {
	bomb := "a: &a [x,x,x,x,x,x,x,x,x]\n"
	for c := 'b'; c < 'z'; c++ {
		bomb += fmt.Sprintf("%c: &%c [%s]\n", c, c, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*%c,", c-1), 9), ","))
	}
	const marks, brackets, lists = "there are more than 500000 commas", "there are more than 1000 brackets open", "there are more than 100 lists within each other"
	wide := strings.Repeat(`kind == "" || `, 69) + `size == "%d"`
	patterns := strings.Repeat(`serial.matches("(a{30}){7}") || `, 7) + `size == "%d"`
	return map[string]hostileFile{
		"too large":        {strings.Repeat("#", yamlproto.MaxFile+1), "1:1 the file has 4194305 bytes; want at most 4194304"},
		"aliases":          {bomb + "title: *y\n", "1:1 a: there is no such field"},
		"alias in a list":  {"cautions: &a [x, *a]\n", "1:1 effective_date: must be set"},
		"brackets":         {strings.Repeat("[", 1<<20), "1:1001 " + brackets},
		"braces":           {strings.Repeat("{a: ", 1<<18), "1:4001 " + brackets},
		"nested":           {"title:\n " + strings.Repeat("[", 9000) + strings.Repeat("]", 9000), "2:1002 " + brackets},
		"lists":            {"rules:\n" + strings.Repeat("- ", 1<<20), "2:201 " + lists},
		"questions":        {strings.Repeat("? ", 1<<20), "1:201 " + lists},
		"indents":          {indents(2000), "1:1 a: there is no such field"},
		"rules":            {most(4, "- {}\n"), "1:1 want fields, each with its value"},
		"more rules":       {"rules:\n" + strings.Repeat("- {}\n", 1<<17), "125001:4 " + marks},
		"fields":           {most(2, "x: 1\n"), "1:1 x: there is no such field"},
		"empty fields":     {most(2, "a:\n"), "1:1 a: there is no such field"},
		"keys of nothing":  {most(2, "?\n"), "1:2 there is no such field"},
		"one field twice":  {"title: a\n" + most(2, "title: a\n"), "2:1 title: it is stated already, on line 1"},
		"documents":        {most(6, "---\ntitle: a\n"), "2:1 effective_date: must be set"},
		"empty documents":  {most(4, "---\n"), "1:1 the file is empty"},
		"kinds":            {"rules:\n- scope: {kinds: [" + most(1, "x,"), "2:1 this is no YAML"},
		"all kinds":        {"rules:\n- scope: {kinds: [" + most(1, "x,") + "]}\n", "1:1 effective_date: must be set"},
		"more kinds":       {"rules:\n- scope: {kinds: [" + longest("x,")[100:], "2:1000006 " + marks},
		"attributes":       {"rules:\n- scope: {attributes: {" + most(2, "x: y,") + "}}\n", "1:1 effective_date: must be set"},
		"maps":             {"[" + most(3, "{},") + "]", "1:1 want fields, each with its value"},
		"anchors":          {most(2, "- &a x\n"), "1:1 want fields, each with its value"},
		"long text":        {"title: " + longest("x")[20:], "1:1 effective_date: must be set"},
		"long escapes":     {`title: "` + longest(`\u0041`)[200:] + `"`, "1:1 effective_date: must be set"},
		"long words":       {"title: " + longest("x ")[20:], "1:1 effective_date: must be set"},
		"long key":         {longest("x")[20:] + ": a", "1:1 this is no YAML"},
		"long line breaks": {"title: >\n" + most(1, "\n"), "1:1 effective_date: must be set"},
		"long number":      {"rules: [{limit: {months: " + strings.Repeat("9", 1<<20) + ", runningTime: " + strings.Repeat("9", 1<<20) + "h}}]", "1:1 effective_date: must be set"},
		"comments":         {most(1, "# x\n") + "title: x", "499901:1 effective_date: must be set"},
		"long predicate":   {"rules:\n- scope: {where: '" + strings.Repeat("a", 1<<20) + "'}\n", "1:1 effective_date: must be set"},
		"predicates":       {withPredicates(500, wide), "55:103 rules[51].scope.where: the predicates up to here have together more than 50000 characters"},
		"patterns":         {withPredicates(500, patterns), "215:104 rules[211].scope.where: the predicates up to here have together more than 50000 characters"},
		"packs":            {strings.TrimSuffix(strings.Repeat(withPredicates(50, patterns)+"---\n", 99), "---\n"), ""},
		"binary":           {strings.Repeat("\x00\xff", 1<<20), `1:1 the file holds a control character: leave it out (got "U+0000")`},
		"UTF-16":           {"\xff\xfet\x00i\x00t\x00", "1:1 the file is not UTF-8"},
		"cut off":          {"title: caf\xc3", `1:11 the file is not UTF-8: save it as UTF-8 (got "0xc3")`},
		"tabs":             {"rules:\n" + strings.Repeat("\t", 1<<20) + "- id: a\n", "2:1 this is no YAML: found character that cannot start any token"},
		"merges":           {"a: &a {x: 1}\n" + most(5, "b: {<<: *a}\n"), "1:1 a: there is no such field"},
	}
}

// indents nests fields, each a blank further in.
func indents(n int) string {
	var s strings.Builder
	for i := range n {
		s.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return s.String()
}

// TestReadHostile: each is refused with a place, in bounded time and memory. Not in parallel, so that what is allocated is its own.
func TestReadHostile(t *testing.T) {
	if testing.Short() {
		t.Skip("megabytes to read, and the bounds are those of a build without the race detector")
	}
	for name, f := range hostileFiles() {
		t.Run(name, func(t *testing.T) {
			before, start := allocated(), time.Now()
			_, ps := Read("x.yaml", []byte(f.text))
			took, bytes := time.Since(start), allocated()-before
			if took > mostTime || bytes > mostBytes {
				t.Errorf("it took %v and %d MB; want at most %v and %d MB", took, bytes>>20, mostTime, mostBytes>>20)
			} else if testing.Verbose() {
				t.Logf("%8d bytes: %6.3f s, %4d MB, %d problems", len(f.text), took.Seconds(), bytes>>20, len(ps))
			}
			switch {
			case f.told == "" && len(ps) > 0:
				t.Errorf("it is refused: %.300s", told(ps))
			case f.told != "" && !strings.HasPrefix(told(ps), f.told):
				t.Errorf("it is told %.300q, want %q", told(ps), f.told)
			}
			if len(ps) > (yamlproto.MaxProblems+1)*(yamlproto.MaxDocuments+1) {
				t.Errorf("%d problems", len(ps))
			}
		})
	}
}
