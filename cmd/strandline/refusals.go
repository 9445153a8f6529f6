package main

import (
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	"strandline.example/strandline/internal/errs"
)

// refusal is one thing that stands against a promise or a hand-out: what it is about, the sentence, and what clears it.
type refusal struct {
	Reason string `json:"reason"`
	About  string `json:"about"` // units/GB-BCD-021; kinds/bcd/M
	Text   string `json:"text"`
	Clears string `json:"clears,omitempty"`
}

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
				text, clears, _ := strings.Cut(v.GetDescription(), clearsMark)
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
	// What the message tells first is told above.
	f := explain(err)
	message, _, _ := strings.Cut(f.message, ": ")
	return exitError{exitRefused, errs.New(errs.Precondition, f.reason, message)}
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
