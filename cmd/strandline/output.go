package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"strings"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
)

// json says whether the output is for programs.
func (a *app) json() bool { return a.set.Output == "json" }

var marshal = protojson.MarshalOptions{EmitDefaultValues: true}

// compact returns a message as proto JSON without the random spaces of protojson.
func compact(m proto.Message) (json.RawMessage, error) {
	raw, err := marshal.Marshal(m)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	if err := json.Compact(&b, raw); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// printJSON writes one message as one JSON document.
func (a *app) printJSON(m proto.Message) error {
	raw, err := compact(m)
	if err != nil {
		return err
	}
	return a.writeJSON(raw)
}

// printList writes messages as {"items": [...]}, with further members in the order given (alternating names and values).
func printList[M proto.Message](a *app, items []M, more ...any) error {
	var b bytes.Buffer
	b.WriteString(`{"items":[`)
	for i, m := range items {
		if i > 0 {
			b.WriteByte(',')
		}
		raw, err := compact(m)
		if err != nil {
			return err
		}
		b.Write(raw)
	}
	b.WriteByte(']')
	for i := 0; i+1 < len(more); i += 2 {
		var raw json.RawMessage
		var err error
		if m, ok := more[i+1].(proto.Message); ok {
			raw, err = compact(m)
		} else {
			raw, err = json.Marshal(more[i+1])
		}
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, ",%q:%s", more[i], raw)
	}
	b.WriteByte('}')
	return a.writeJSON(b.Bytes())
}

// printValue writes a value that is not a message of the API as one JSON document.
func (a *app) printValue(v any) error {
	raw, err := json.Marshal(v)
	if err != nil {
		return err
	}
	return a.writeJSON(raw)
}

func (a *app) writeJSON(raw []byte) error {
	var b bytes.Buffer
	if err := json.Indent(&b, raw, "", "  "); err != nil {
		return err
	}
	b.WriteByte('\n')
	_, err := a.out.Write(b.Bytes())
	return err
}

// printf writes data to standard output.
func (a *app) printf(format string, args ...any) {
	fmt.Fprintf(a.out, format, args...)
}

// paragraph writes text folded to the terminal's width, every line indented.
func (a *app) paragraph(w io.Writer, indent, text string) {
	width := 0
	if a.columns > 0 {
		width = max(a.columns-len(indent), 20)
	}
	for _, line := range fold(text, width) {
		fmt.Fprintln(w, strings.TrimRight(indent+line, " "))
	}
}
