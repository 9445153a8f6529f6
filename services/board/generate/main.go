// Command generate writes reasons.json, which explains each reason of strandline.type.v1.Reason with the comment that stands on it
// in the proto. Run it with `go generate ./services/board`.
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"regexp"
	"strings"

	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// Reason is one entry of reasons.json.
type Reason struct {
	Reason      string   `json:"reason"`
	Occurs      []string `json:"occurs"` // error, standing
	Title       string   `json:"title"`
	Description string   `json:"description"`
}

var (
	value   = regexp.MustCompile(`^\s*REASON_([A-Z0-9_]+) = \d+;$`)
	comment = regexp.MustCompile(`^\s*// ?(.*)$`)
)

func main() {
	if err := run("../../proto/strandline/type/v1/reason.proto", "reasons.json"); err != nil {
		fmt.Fprintln(os.Stderr, "generate:", err)
		os.Exit(1)
	}
}

func run(from, to string) error {
	source, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	reasons, err := read(source)
	if err != nil {
		return fmt.Errorf("%s: %w", from, err)
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(reasons); err != nil {
		return err
	}
	return os.WriteFile(to, b.Bytes(), 0o644)
}

// read takes each value of the enum with the comment above it. What it finds must be what the generated code has.
func read(source []byte) ([]Reason, error) {
	var (
		out  []Reason
		text []string
		seen = map[string]bool{}
	)
	for line := range strings.Lines(string(source)) {
		line = strings.TrimRight(line, "\r\n")
		if m := comment.FindStringSubmatch(line); m != nil {
			text = append(text, m[1])
			continue
		}
		if m := value.FindStringSubmatch(line); m != nil {
			seen["REASON_"+m[1]] = true
			if m[1] != "UNSPECIFIED" {
				r, err := entry(m[1], strings.Join(text, " "))
				if err != nil {
					return nil, err
				}
				out = append(out, r)
			}
		}
		text = nil
	}
	for name := range typepb.Reason_value {
		if !seen[name] {
			return nil, fmt.Errorf("%s is in the generated code and was not found in the source; run buf generate first", name)
		}
	}
	if len(seen) != len(typepb.Reason_value) {
		return nil, fmt.Errorf("%d values in the source, %d in the generated code; run buf generate first", len(seen), len(typepb.Reason_value))
	}
	return out, nil
}

// entry splits a comment such as "Error or standing: compliance has not yet seen every change. Try again."
func entry(name, text string) (Reason, error) {
	where, says, ok := strings.Cut(text, ": ")
	if !ok || says == "" {
		return Reason{}, fmt.Errorf("the comment of %s does not start with where the reason occurs (Error:, Standing:)", name)
	}
	r := Reason{Reason: name, Occurs: strings.Split(strings.ToLower(where), " or ")}
	for _, w := range r.Occurs {
		if w != "error" && w != "standing" {
			return Reason{}, fmt.Errorf("the comment of %s says %q; a reason occurs as error or standing", name, w)
		}
	}
	r.Description = strings.ToUpper(says[:1]) + says[1:]
	r.Title = r.Description
	if i := strings.IndexAny(r.Description, ".;"); i > 0 {
		r.Title = r.Description[:i]
	}
	return r, nil
}
