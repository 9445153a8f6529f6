package yamlproto

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// entries is a shape of ledger entries, in which a date is a text: a message with what rule packs, whose reader has tests of its own on this
// package, do not have.
var entries = Shape{
	One: "ledger entry", Short: "entry", Many: "entries", Begin: "name, occurredTime", Pair: "{a: b}",
	Texts: map[protoreflect.FullName]Text{"google.type.Date": {Example: "today", Read: func(text string) (proto.Message, error) {
		if text != "today" {
			return nil, errors.New("want today, and no other day")
		}
		return &date.Date{Year: 2026, Month: 4, Day: 14}, nil
	}}},
}

const entry = `name: orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79/entries/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a80
occurredTime: 2026-04-14T10:00:00Z
service: {activities: [inspection], outcome: OUTCOME_PASS, markDate: today}
`

// read reads a file and returns its last message and the problems, each on a line.
func read(s *Shape, text string) (*historypb.Entry, string) {
	var m *historypb.Entry
	var out strings.Builder
	for _, p := range s.Read([]byte(text), func(d *Document) {
		m = &historypb.Entry{}
		if d.Decode(m) {
			d.Validate(m)
		}
	}) {
		out.WriteString(p.At("f") + "\n")
	}
	return m, out.String()
}

// TestTexts: a message that is written as a text is read from it, or from its fields; what its reader says of another text is told at it.
func TestTexts(t *testing.T) {
	t.Parallel()
	want := &historypb.Entry{}
	if err := protojson.Unmarshal([]byte(`{"name": "orgs/reef/units/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a79/entries/0193b1c2-6f7e-7a10-8b3e-2f1d4c5b6a80",
		"occurredTime": "2026-04-14T10:00:00Z", "service": {"activities": ["inspection"], "outcome": "OUTCOME_PASS", "markDate": {"year": 2026, "month": 4, "day": 14}}}`), want); err != nil {
		t.Fatal(err)
	}
	for _, date := range []string{"today", "{year: 2026, month: 4, day: 14}", `"today"`} {
		m, told := read(&entries, strings.Replace(entry, "today", date, 1))
		if told != "" || !proto.Equal(m, want) {
			t.Errorf("%s: read %v\n%s", date, m, told)
		}
	}
	for text, want := range map[string]string{
		strings.Replace(entry, "today", "yesterday", 1): `f:3:70: service.mark_date: want today, and no other day (got "yesterday")`,
		strings.Replace(entry, "today", "[a]", 1):       `f:3:70: service.mark_date: want a text such as today`,
	} {
		if _, told := read(&entries, text); told != want+"\n" {
			t.Errorf("told\n%swant\n%s", told, want)
		}
	}
}

// TestOneOf: of fields that exclude each other the second is told of, where it stands.
func TestOneOf(t *testing.T) {
	t.Parallel()
	_, told := read(&entries, entry+"condition: {condition: drop, severity: SEVERITY_PULL}\n")
	if want := `f:4:1: condition: state it or service, not both (got "condition")` + "\n"; told != want {
		t.Errorf("told\n%swant\n%s", told, want)
	}
}

// TestUnstatable: what no file can hold is refused, and not guessed at.
func TestUnstatable(t *testing.T) {
	t.Parallel()
	_, told := read(&entries, entry+"digest: AAAA\n")
	if want := `f:4:9: digest: it cannot be stated in a file: leave it out (got "AAAA")` + "\n"; told != want {
		t.Errorf("told\n%swant\n%s", told, want)
	}
}

// TestWords: problems are told in the words of the kind of file.
func TestWords(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]string{
		"# nothing\n": "f:1:1: the file is empty; want a ledger entry: name, occurredTime",
		strings.Repeat("name: a\n---\n", MaxDocuments+1): "want at most 100 entries in a file",
		strings.Repeat("[", 2000):                        "and a ledger entry has few",
		strings.Repeat("x: 1\n", MaxProblems+2):          "this entry has more than 500 problems",
	} {
		if _, told := read(&entries, text); !strings.Contains(told, want) {
			t.Errorf("told\n%.300s\nwant\n%s", told, want)
		}
	}
}
