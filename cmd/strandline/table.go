package main

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"golang.org/x/sys/unix"
)

// table is rows of text under a line of headings, columns apart by two spaces. When it is wider than the terminal, the
// columns marked as prose are folded.
type table struct {
	heads []string
	right []bool // aligned right: numbers
	prose []bool // may be folded
	bare  bool   // without headings
	rows  [][]string
}

// newTable returns a table with headings. A heading that starts with '>' is of a column of numbers, one that starts with '~'
// of a column of prose.
func newTable(heads ...string) *table {
	t := &table{}
	for _, h := range heads {
		right, prose := strings.HasPrefix(h, ">"), strings.HasPrefix(h, "~")
		t.heads = append(t.heads, strings.TrimLeft(h, ">~"))
		t.right = append(t.right, right)
		t.prose = append(t.prose, prose)
	}
	return t
}

func (t *table) row(cells ...string) { t.rows = append(t.rows, cells) }

// write prints the table, indented, within width columns; 0 is any width.
func (t *table) write(w io.Writer, indent string, width int) {
	// Columns in which no row says anything are left out.
	used := make([]bool, len(t.heads))
	widths := make([]int, len(t.heads))
	for i, h := range t.heads {
		widths[i] = utf8.RuneCountInString(h)
		for _, r := range t.rows {
			if i < len(r) && r[i] != "" {
				used[i] = true
				widths[i] = max(widths[i], utf8.RuneCountInString(r[i]))
			}
		}
	}
	t.fit(used, widths, width-len(indent), width > 0)
	if !t.bare {
		t.line(w, indent, used, widths, t.heads)
	}
	for _, r := range t.rows {
		t.line(w, indent, used, widths, r)
	}
}

// fit narrows the prose columns, widest first, until the table fits; never below 24 columns of text.
func (t *table) fit(used []bool, widths []int, width int, bounded bool) {
	if !bounded {
		return
	}
	const least = 24
	for {
		total, widest := -2, -1
		for i := range widths {
			if !used[i] {
				continue
			}
			total += widths[i] + 2
			if t.prose[i] && widths[i] > least && (widest < 0 || widths[i] > widths[widest]) {
				widest = i
			}
		}
		if total <= width || widest < 0 {
			return
		}
		widths[widest] = max(least, widths[widest]-(total-width))
	}
}

func (t *table) line(w io.Writer, indent string, used []bool, widths []int, cells []string) {
	folded := make([][]string, len(t.heads))
	lines := 1
	for i := range t.heads {
		text := ""
		if i < len(cells) {
			text = cells[i]
		}
		folded[i] = []string{text}
		if t.prose[i] && utf8.RuneCountInString(text) > widths[i] {
			folded[i] = fold(text, widths[i])
		}
		if used[i] {
			lines = max(lines, len(folded[i]))
		}
	}
	for n := range lines {
		var b strings.Builder
		b.WriteString(indent)
		for i := range t.heads {
			if !used[i] {
				continue
			}
			text := ""
			if n < len(folded[i]) {
				text = folded[i][n]
			}
			gap := strings.Repeat(" ", max(widths[i]-utf8.RuneCountInString(text), 0))
			if t.right[i] {
				b.WriteString(gap + text + "  ")
			} else {
				b.WriteString(text + gap + "  ")
			}
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}

// fold breaks text into lines of at most width runes at spaces; a longer word stays whole. Width 0 does not break.
func fold(text string, width int) []string {
	if width <= 0 || utf8.RuneCountInString(text) <= width {
		return []string{text}
	}
	var lines []string
	line, n := "", 0
	for _, word := range strings.Fields(text) {
		k := utf8.RuneCountInString(word)
		switch {
		case n == 0:
			line, n = word, k
		case n+1+k <= width:
			line, n = line+" "+word, n+1+k
		default:
			lines = append(lines, line)
			line, n = word, k
		}
	}
	return append(lines, line)
}

// columns returns the width of a terminal: COLUMNS if set, else what the terminal says, else 0.
func columns(w io.Writer, env map[string]string) int {
	if n, err := strconv.Atoi(env["COLUMNS"]); err == nil && n > 0 {
		return n
	}
	if f, ok := w.(*os.File); ok {
		if ws, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ); err == nil {
			return int(ws.Col)
		}
	}
	return 0
}

// isTerminal says whether a stream is a terminal.
func isTerminal(w any) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	_, err := unix.IoctlGetWinsize(int(f.Fd()), unix.TIOCGWINSZ)
	return err == nil
}
