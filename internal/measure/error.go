package measure

import (
	"fmt"
	"strings"
)

// Error says what is wrong with a quantity, a unit or a calculation, and what to do.
type Error struct {
	Value  string // what was given, shortened
	Text   string // what is wrong with it
	Remedy string // what to write instead; may be empty
}

// Error returns it all in one line.
func (e *Error) Error() string {
	s := e.Text
	if e.Value != "" {
		s = fmt.Sprintf("%q %s", e.Value, e.Text)
	}
	if e.Remedy != "" {
		s += "; " + e.Remedy
	}
	return s
}

// shown shortens what is quoted in a message.
func shown(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}

// article puts a or an before a word.
func article(word string) string {
	if word != "" && strings.ContainsRune("aeiou", rune(word[0])) {
		return "an " + word
	}
	return "a " + word
}
