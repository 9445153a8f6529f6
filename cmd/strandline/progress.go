package main

import (
	"fmt"
	"io"
	"time"

	"strandline.example/strandline/internal/clock"
)

// progress tells on standard error how far a long operation is: one line that is written over on a terminal, a plain line
// every few seconds elsewhere, and nothing at all for what is over at once.
type progress struct {
	w        io.Writer
	clk      clock.Clock
	terminal bool
	what     string
	unit     string
	total    int64 // 0 when not known
	begun    time.Time
	last     time.Time
	drawn    bool
}

// progress starts one; unit is the plural of what is counted.
func (a *app) progress(what, unit string, total int64) *progress {
	now := a.clk.Now()
	return &progress{w: a.err, clk: a.clk, terminal: isTerminal(a.err), what: what, unit: unit, total: total, begun: now, last: now}
}

// at says how many are done.
func (p *progress) at(done int64) {
	now := p.clk.Now()
	every := 5 * time.Second
	if p.terminal {
		every = 100 * time.Millisecond
	}
	if now.Sub(p.last) < every {
		return
	}
	p.last = now
	p.print(done, "")
}

// done ends it; what it did stays readable above what follows.
func (p *progress) done(n int64) {
	took := p.clk.Now().Sub(p.begun)
	if !p.drawn && took < time.Second {
		return
	}
	p.print(n, fmt.Sprintf(", %.1f s", took.Seconds()))
	if p.terminal {
		fmt.Fprintln(p.w)
	}
}

func (p *progress) print(n int64, tail string) {
	p.drawn = true
	line := fmt.Sprintf("%s: %d %s", p.what, n, p.unit)
	if p.total > 0 {
		line = fmt.Sprintf("%s: %d of %d %s", p.what, n, p.total, p.unit)
	}
	if p.terminal {
		fmt.Fprintf(p.w, "\r\x1b[K%s%s", line, tail)
		return
	}
	fmt.Fprintf(p.w, "%s%s\n", line, tail)
}
