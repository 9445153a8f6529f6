package measure

import "fmt"

// Reference says what a pressure is measured from, or that a pressure or temperature is a difference of two.
type Reference uint8

// The references. A pressure has one of the last three; a temperature is one (None) or a difference of two; everything else has None.
const (
	None       Reference = iota
	Gauge                // above the pressure around the instrument
	Absolute             // above vacuum
	Difference           // between two places or two moments: a drop, a rise, an effort
)

// String returns the word that stands behind the unit; "" for None.
func (r Reference) String() string {
	switch r {
	case Gauge:
		return "gauge"
	case Absolute:
		return "absolute"
	case Difference:
		return "difference"
	}
	return ""
}

// ParseReference reads the word of a reference; "" is None.
func ParseReference(word string) (Reference, error) {
	for r := None; r <= Difference; r++ {
		if word == r.String() {
			return r, nil
		}
	}
	return None, &Error{Value: word, Text: "is no reference of a pressure", Remedy: "write gauge, absolute or difference"}
}

// Fits says whether quantities of the dimension may have the reference.
func (r Reference) Fits(d Dimension) bool {
	switch d {
	case dimPressure:
		return r != None && r <= Difference
	case dimTemperature:
		return r == None || r == Difference
	}
	return r == None
}

// named returns the dimension with its reference, for messages: "gauge pressure", "pressure difference", "volume".
func (r Reference) named(d Dimension) string {
	switch r {
	case Gauge, Absolute:
		return fmt.Sprintf("%s %s", r, d)
	case Difference:
		return fmt.Sprintf("%s difference", d)
	}
	return d.String()
}
