package auth

import (
	"bytes"
	"encoding/json"
	"io"
)

// uniqueNames checks that text is one JSON object without a name that occurs twice, at any depth.
func uniqueNames(text []byte) error {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	first, err := d.Token()
	if err != nil || first != json.Delim('{') {
		return problem("it is malformed")
	}
	if err := object(d); err != nil {
		return err
	}
	if _, err := d.Token(); err != io.EOF {
		return problem("it is malformed")
	}
	return nil
}

func object(d *json.Decoder) error {
	seen := map[string]bool{}
	for {
		t, err := d.Token()
		if err != nil {
			return problem("it is malformed")
		}
		name, ok := t.(string)
		if !ok { // the closing brace
			return nil
		}
		if seen[name] {
			return problem("a name occurs twice in it")
		}
		seen[name] = true
		if err := value(d); err != nil {
			return err
		}
	}
}

func value(d *json.Decoder) error {
	t, err := d.Token()
	if err != nil {
		return problem("it is malformed")
	}
	switch t {
	case json.Delim('{'):
		return object(d)
	case json.Delim('['):
		for d.More() {
			if err := value(d); err != nil {
				return err
			}
		}
		if _, err := d.Token(); err != nil {
			return problem("it is malformed")
		}
	}
	return nil
}
