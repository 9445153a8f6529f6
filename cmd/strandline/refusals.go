package main

import (
	"regexp"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
)

// refusal is one thing that stands against a promise or a hand-out: what it is about, the sentence, and what clears it.
type refusal struct {
	Reason string `json:"reason"`
	About  string `json:"about"` // units/GB-BCD-021; kinds/bcd/M
	Text   string `json:"text"`
	Clears string `json:"clears,omitempty"`
}

var valueBehind = regexp.MustCompile(` \(got "[^"]*"\)$`)

// clearsMark stands in the services' sentences before what clears a reason.
const clearsMark = " What would clear it: "

// refusals returns what an error says that stands against a promise or hand-out; false for other errors.
func refusals(err error) (all []refusal, omitted string, ok bool) {
	for _, d := range status.Convert(err).Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			ok, omitted = slices.Contains([]string{"NOT_AVAILABLE", "HAND_OUT_REFUSED"}, d.GetReason()), d.GetMetadata()["violationsOmitted"]
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				// What it is about is told above; a server also puts it, or how many were wanted, behind the sentence.
				says := valueBehind.ReplaceAllString(v.GetDescription(), "")
				text, clears, _ := strings.Cut(says, clearsMark)
				all = append(all, refusal{Reason: v.GetType(), About: v.GetSubject(), Text: text, Clears: clears})
			}
		}
	}
	return all, omitted, ok
}

// refused prints reason by reason what stands against a promise or a hand-out, if the error says that, and returns the error with the exit code for
// it. title stands above.
func (a *app) refused(err error, title string) error {
	all, omitted, ok := refusals(err)
	if !ok {
		return err
	}
	if a.json() {
		if perr := a.printValue(struct {
			Refusals []refusal `json:"refusals"`
		}{all}); perr != nil {
			return perr
		}
		return exitError{exitRefused, err}
	}
	a.printf("%s\n", title)
	a.printRefusals("  ", all)
	if omitted != "" {
		a.printf("  and %s more\n", omitted)
	}
	return exitError{exitRefused, err}
}

// printRefusals prints what stands against something below what it is about.
func (a *app) printRefusals(indent string, all []refusal) {
	about := ""
	for _, r := range all {
		_, name, _ := strings.Cut(r.About, "/")
		if name = strings.ReplaceAll(name, "/", ", size "); name != about {
			a.printf("%s%s\n", indent, name)
			about = name
		}
		a.paragraph(a.out, indent+"  ", strings.TrimPrefix(r.Text, name+": "))
		if r.Clears != "" {
			a.paragraph(a.out, indent+"    ", "clears: "+r.Clears)
		}
	}
}
