package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"time"

	"strandline.example/strandline/internal/clock"
	"strandline.example/strandline/internal/sheet"
)

// importMeter tells on standard error how far an import is. Each file is read twice: once to check it, once to send it.
type importMeter struct {
	w        io.Writer
	clk      clock.Clock
	terminal bool
	drawn    bool
	begun    time.Time
	last     time.Time
	quiet    bool
	total    int64 // bytes, both passes
	done     int64 // of files before the present one
	rows     int64 // likewise, of both passes
	present  *importFile
}

func (a *app) newImportMeter(files []*importFile, quiet bool) *importMeter {
	now := a.clk.Now()
	m := &importMeter{w: a.err, clk: a.clk, terminal: isTerminal(a.err), begun: now, last: now, quiet: quiet}
	for _, f := range files {
		m.total += 2 * f.size
	}
	return m
}

// tick returns what is called while f is read; before is how many bytes of f's two passes are done.
func (m *importMeter) tick(f *importFile, before int64) func(read, rows int64) {
	if m.present != f {
		if m.present != nil {
			m.done += 2 * m.present.size
			m.rows += 2 * m.present.rows
		}
		m.present = f
	}
	doing, checked := "checking", int64(0)
	if before > 0 {
		doing, checked = "sending", f.rows
	}
	return func(read, rows int64) {
		now := m.clk.Now()
		every := 5 * time.Second
		if m.terminal {
			every = 100 * time.Millisecond
		}
		if m.quiet || now.Sub(m.last) < every {
			return
		}
		m.last = now
		percent := 100.0
		if m.total > 0 {
			percent = 100 * float64(m.done+before+read) / float64(m.total)
		}
		rate := ""
		if s := now.Sub(m.begun).Seconds(); s > 0 {
			rate = fmt.Sprintf(", %.0f rows/s", float64(m.rows+checked+rows)/s)
		}
		line := fmt.Sprintf("%3.0f %%  %s %s: %d rows%s", percent, doing, f.label, rows, rate)
		m.drawn = true
		if m.terminal {
			fmt.Fprintf(m.w, "\r\x1b[K%s", line)
		} else {
			fmt.Fprintln(m.w, line)
		}
	}
}

func (m *importMeter) end() {
	if m.terminal && m.drawn {
		fmt.Fprint(m.w, "\r\x1b[K")
	}
}

// stateWord says how a file ended.
func (f *importFile) stateWord(dryRun bool) string {
	switch f.state {
	case stateChecked:
		return "in order"
	case stateImported:
		return "imported"
	case stateRejected:
		if dryRun {
			return "would be rejected"
		}
		return "rejected, nothing of it was written"
	case stateWaiting:
		return "not imported: it needs " + f.waitingFor.label
	}
	return "not reached"
}

// show prints how the files ended: the problems first, then one line for each file.
func (im *importer) show(files []*importFile, report string) error {
	if im.app.json() {
		return im.showJSON(files)
	}
	a := im.app
	for _, f := range files {
		for _, p := range f.problems {
			a.printf("%s\n", p)
		}
		if more := f.count - int64(len(f.problems)); more > 0 {
			a.printf("%s: %d more problems, not listed\n", f.label, more)
		}
	}
	bad := false
	for _, f := range files {
		bad = bad || f.count > 0
	}
	if bad {
		a.printf("\n")
	}
	im.showTable(files)
	if report != "" {
		a.talkf("The problems are in %s.", report)
	}
	if im.dryRun {
		a.talkf("Dry run: nothing was written.")
	}
	return nil
}

func (im *importer) showTable(files []*importFile) {
	made := "created"
	if im.dryRun {
		made = "new"
	}
	t := newTable("file", "type", ">rows", ">"+made, ">unchanged", ">problems", "~result")
	var rows, created, unchanged, problems int64
	for _, f := range files {
		c, u := f.created, f.unchanged
		if f.state == stateRejected || f.state == stateWaiting {
			c, u = 0, 0
		}
		result := f.stateWord(im.dryRun)
		if f.encoding == sheet.Windows1252 && im.encoding == sheet.Auto {
			result += " (read as Windows-1252)"
		}
		t.row(f.label, f.typ.name, fmt.Sprint(f.rows), fmt.Sprint(c), fmt.Sprint(u), fmt.Sprint(f.count), result)
		rows, created, unchanged, problems = rows+f.rows, created+c, unchanged+u, problems+f.count
	}
	if len(files) > 1 {
		t.row("all", "", fmt.Sprint(rows), fmt.Sprint(created), fmt.Sprint(unchanged), fmt.Sprint(problems))
	}
	t.write(im.app.out, "", im.app.columns)
}

func (im *importer) showJSON(files []*importFile) error {
	type problem struct {
		Line   int64  `json:"line,omitempty"`
		Column int    `json:"column,omitempty"`
		Name   string `json:"columnName,omitempty"`
		Value  string `json:"value,omitempty"`
		Text   string `json:"problem"`
		Remedy string `json:"remedy"`
	}
	type file struct {
		File         string    `json:"file"`
		Type         string    `json:"type"`
		Rows         string    `json:"rows"`
		Created      string    `json:"created"`
		Unchanged    string    `json:"unchanged"`
		ProblemCount string    `json:"problemCount"`
		Result       string    `json:"result"`
		WaitingFor   string    `json:"waitingFor,omitempty"`
		Problems     []problem `json:"problems"`
	}
	number := func(n int64) string { return strconv.FormatInt(n, 10) }
	items := []file{}
	for _, f := range files {
		j := file{File: f.label, Type: f.typ.name, Rows: number(f.rows), Created: number(f.created), Unchanged: number(f.unchanged), ProblemCount: number(f.count), Problems: []problem{}}
		j.Result = map[fileState]string{stateChecked: "in-order", stateImported: "imported", stateRejected: "rejected", stateWaiting: "waiting", statePending: "not-reached"}[f.state]
		if f.waitingFor != nil {
			j.WaitingFor = f.waitingFor.label
		}
		for _, p := range f.problems {
			j.Problems = append(j.Problems, problem{p.Line, p.Column, p.Name, p.Value, p.Text, p.Remedy})
		}
		items = append(items, j)
	}
	raw, err := json.Marshal(map[string]any{"items": items, "dryRun": im.dryRun})
	if err != nil {
		return err
	}
	return im.app.writeJSON(raw)
}

// writeProblems writes the problems of all files to a CSV file.
func writeProblems(path string, files []*importFile) (err error) {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	w := bufio.NewWriter(f)
	var all []sheet.Problem
	for _, file := range files {
		all = append(all, file.problems...)
		if more := file.count - int64(len(file.problems)); more > 0 {
			all = append(all, sheet.Problem{File: file.label, Text: fmt.Sprintf("%d more problems, not listed", more), Remedy: "correct those listed and check again"})
		}
	}
	if err := sheet.WriteReport(w, all); err != nil {
		return err
	}
	return w.Flush()
}
