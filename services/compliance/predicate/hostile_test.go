package predicate

import (
	"errors"
	"fmt"
	"runtime/metrics"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/services/compliance/due"
)

// What a predicate may take at worst, however hostile. Measured are a tenth of each.
const (
	mostCompileTime  = time.Second
	mostCompileBytes = 16 << 20
	mostCoversTime   = 200 * time.Millisecond
	mostCoversBytes  = 4 << 20
)

// allocated returns how many bytes this process has allocated so far.
func allocated() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(s)
	return s[0].Value.Uint64()
}

// filled repeats a part of an expression as often as the length allows, with an end.
func filled(part, end string) string {
	return strings.Repeat(part, (MaxLength-len(end))/len(part)) + end
}

// hostile are expressions that ask for more time, stack or memory than a rule may take, or for what a predicate does not have. Each is
// refused, and soon.
var hostile = map[string]string{
	"long":                strings.Repeat("a", MaxLength+1),
	"long characters":     `kind == "` + strings.Repeat("é", MaxLength-9) + `"`,
	"parentheses":         strings.Repeat("(", 400) + "true" + strings.Repeat(")", 400),
	"open parentheses":    strings.Repeat("(", 900),
	"brackets":            strings.Repeat("[", 480) + strings.Repeat("]", 480) + " == []",
	"braces":              strings.Repeat("{1:", 300),
	"indexes":             "attributes" + strings.Repeat(`["a"]`, 190) + ` == ""`,
	"index in index":      strings.Repeat("attributes[", 80) + "kind" + strings.Repeat("]", 80) + ` == ""`,
	"selections":          "attributes" + strings.Repeat(".a", 400) + ` == ""`,
	"calls":               strings.Repeat("size(", 190) + `""` + strings.Repeat(")", 190) + " > 0",
	"calls on calls":      `kind` + strings.Repeat(`.contains("")`, 75),
	"nots":                strings.Repeat("!", 997) + "kin",
	"minus":               "0 < " + strings.Repeat("- ", 490) + "serial",
	"conditions":          strings.Repeat("true?", 190) + "1",
	"conditions in both":  strings.Repeat("true?false:", 90) + "1",
	"sums":                strings.Repeat("attributes+", 90) + "attributes == {}",
	"string of strings":   "kind == " + filled("kind+", "kind"),
	"doubled":             `size((` + filled("serial+", `serial)+(serial)) > 3`),
	"concatenation":       strings.Repeat("model+", 160) + `model == ""`,
	"bytes":               filled(`bytes(attr("x"))+`, `b"a" == b"a"`),
	"big regexp":          `serial.matches("` + strings.Repeat("(a{30}){30}", 8) + `")`,
	"nested repeats":      `serial.matches("((a{100}){100}){100}")`,
	"repeated":            `serial.matches("a{1001}")`,
	"repeated at most":    `serial.matches("(((a{0,50}){0,50}){0,50}){0,50}")`,
	"many regexps":        filled(`serial.matches("(a{30}){20}") || `, "false"),
	"regexp of the unit":  `serial.matches(attr("x"))`,
	"regexp made up":      `serial.matches("a" + "b")`,
	"regexp of choice":    `serial.matches(kind == "a" ? "a" : "b")`,
	"regexp classes":      `serial.matches("` + strings.Repeat(`[\\pL\\pN]{40}`, 60) + `")`,
	"look behind":         `serial.matches("(?<=a)b")`,
	"back reference":      `serial.matches("(a)\\1")`,
	"exists":              `attributes.exists(k, k == "x")`,
	"exists in exists":    `[1].exists(a, [1].exists(b, [1].exists(c, [1].exists(d, true))))`,
	"all in map":          `[1,2].map(a, [1,2].all(b, b > a)) == [true]`,
	"map of map":          `[[1]].map(a, a.map(b, [b, b])) == [[[1, 1]]]`,
	"filter":              `[1, 2, 3].filter(x, x > 1).size() > 1`,
	"exists one":          `[1, 2].exists_one(x, x == 1)`,
	"two variables":       `attributes.all(k, v, k == v)`,
	"macro in macro":      strings.Repeat("attr(", 190) + `"a"` + strings.Repeat(")", 190) + ` == ""`,
	"has of a call":       `has(attr("x"))`,
	"inner name":          `@attr(attributes, "x") == ""`,
	"large number":        strings.Repeat("9", 900) + " > 1",
	"large exponent":      "1e" + strings.Repeat("9", 500) + " > 1.0",
	"endless number":      "1.0 == 0." + strings.Repeat("0", 900) + "e",
	"escape without end":  `kind == "\`,
	"no such character":   `kind == "\U00110000"`,
	"text without end":    `kind == """` + strings.Repeat("a", 900),
	"message":             `google.protobuf.Struct{fields: {}} == {}`,
	"any of nothing":      `google.protobuf.Any{type_url: "x"} == 1`,
	"optional":            `attributes.?x.orValue("") == ""`,
	"format":              `"%s%s".format([kind, kind]) == ""`,
	"duration of nothing": `duration("1") > duration("2")`,
	"time of nothing":     `timestamp("2020-13-01T00:00:00Z") > timestamp("x")`,
	"not a truth":         `true ? 1 : 2`,
	"two expressions":     `true; true`,
	"comment":             "true // " + strings.Repeat("/", 995),
	"nothing but blanks":  strings.Repeat(" ", MaxLength),
	"line ends":           strings.Repeat("\n", MaxLength-1) + "(",
	"zero":                "kind == \x00",
	"half a character":    "kind == \"\xc3\"",
}

// costly are as dear as a predicate can be that is taken.
var costly = map[string]string{
	"regexps":           filled(`attr("x").matches("(a+)+$")||`, "false"),
	"large regexp":      `attr("x").matches("(x?){300}(x{150})+y(.*a){100}$")`,
	"alternatives":      `attr("x").matches("(a|aa|aaa|aaaa)+b") || attr("x").matches("(a*)*b") || attr("x").matches("(.*,){11}P")`,
	"folded case":       `attr("x").matches("(?i)(ab|a[^b]{50}){10}c")`,
	"contains":          filled(`attr("x").contains(attr("x")+"b")||`, "false"),
	"attributes in all": filled(`attr(attr("x"))==""&&`, "true"),
	"equal maps":        filled(`attributes==attributes&&`, "true"),
	"equal lists":       "[" + strings.Repeat("attributes,", 38) + "]==[" + strings.Repeat("attributes,", 38) + "]",
	"long list":         `attr("x") in [` + strings.Repeat(`"bbbbbb",`, 95) + `]`,
	"lists of maps":     filled("[attributes]+", "[attributes] == []"),
	"has of has":        `has(has(has(attributes.a)))`,
	"added lists":       "[" + strings.Repeat("1,", 300) + "]+[" + strings.Repeat("1,", 150) + "]==[]",
	"ranges":            filled(`serialWithin(attr("x"),attr("x"),attr("x"))||`, "false"),
	"numbers":           filled(`int(serial)>0||`, "false"),
	"there and back":    filled(`string(bytes(attr("x")))==attr("x")&&`, "true"),
	"times":             filled(`timestamp("2020-01-01T00:00:00Z")<timestamp(manufactured+"T00:00:00Z")&&`, "true"),
	"nested calls":      strings.Repeat("attr(", 25) + `"a"` + strings.Repeat(")", 25) + `==""`,
	"nested conditions": strings.Repeat(`kind==""?false:(`, 25) + "true" + strings.Repeat(")", 25),
	"terms":             filled(`kind==""||`, "false"),
}

// largest is a unit with as much to look at as the API takes, and huge one with more.
func largest() (large, huge *due.Facts) {
	unit := func(attribute string) *due.Facts {
		f := *facts
		f.Serial, f.Model, f.Attributes = strings.Repeat("a", 79)+"1", strings.Repeat("m", 100), map[string]string{}
		for i := range 79 {
			f.Attributes[fmt.Sprintf("k%d", i)] = attribute
		}
		f.Attributes["x"] = attribute
		return &f
	}
	return unit(strings.Repeat("a", 119) + "1"), unit(strings.Repeat("a", 1<<20) + "1")
}

func TestHostile(t *testing.T) {
	for name, expr := range hostile {
		t.Run(name, func(t *testing.T) {
			before, start := allocated(), time.Now()
			_, err := Compile(expr)
			took, bytes := time.Since(start), allocated()-before
			if took > mostCompileTime || bytes > mostCompileBytes {
				t.Errorf("it took %v and %d KB to refuse it", took, bytes>>10)
			}
			var e *Error
			if !errors.As(err, &e) || e.Line < 1 || e.Column < 1 || e.Text == "" || len(e.Text) > 1000 {
				t.Errorf("Compile = %v, want it refused with a place", err)
			} else if testing.Verbose() {
				t.Logf("%v, %d KB: %.150v", took, bytes>>10, e)
			}
		})
	}
}

// TestCostly: what is taken takes its time within bounds, on the largest unit there may be and on one beyond.
func TestCostly(t *testing.T) {
	large, huge := largest()
	for name, expr := range costly {
		t.Run(name, func(t *testing.T) {
			before, start := allocated(), time.Now()
			p := compiled(t, expr)
			if took, bytes := time.Since(start), allocated()-before; took > mostCompileTime || bytes > mostCompileBytes {
				t.Errorf("it took %v and %d KB to compile it", took, bytes>>10)
			}
			before, start = allocated(), time.Now()
			p.Covers(large, stay)
			took, bytes := time.Since(start), allocated()-before
			if took > mostCoversTime || bytes > mostCoversBytes {
				t.Errorf("it took %v and %d KB to ask it", took, bytes>>10)
			} else if testing.Verbose() {
				t.Logf("%v, %d KB", took, bytes>>10)
			}
			before, start = allocated(), time.Now()
			p.Covers(huge, stay)
			if took, bytes := time.Since(start), allocated()-before; took > mostCoversTime || bytes > mostCoversBytes {
				t.Errorf("it took %v and %d KB to ask it of a unit that is too large", took, bytes>>10)
			}
		})
	}
}
