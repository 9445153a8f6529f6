package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/clock"
)

// lines collects output and ends a run when it has enough lines.
type lines struct {
	bytes.Buffer
	enough int
	stop   context.CancelFunc
}

func (l *lines) Write(p []byte) (int, error) {
	n, err := l.Buffer.Write(p)
	if l.enough > 0 && bytes.Count(l.Bytes(), []byte("\n")) >= l.enough {
		l.stop()
	}
	return n, err
}

// commandAt runs a command in a place at an instant, up to some lines of output if enough is not 0.
func commandAt(t *testing.T, p place, now time.Time, enough int, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	out := &lines{enough: enough, stop: cancel}
	var errw bytes.Buffer
	a := &app{out: out, err: &errw, env: map[string]string{}, clk: clock.NewFake(now), columns: 200}
	root := newRootCmd(a)
	root.SetArgs(append(args, p.flags()...))
	cmd, err := root.ExecuteContextC(ctx)
	if cerr := a.close(); err == nil {
		err = cerr
	}
	if code := a.report(cmd, err); code != exitOK {
		t.Fatalf("strandline %s: exit code %d\n%s\n%s", strings.Join(args, " "), code, out.String(), errw.String())
	}
	return out.String()
}

// TestNotices lets weeks pass over the demo's fleet with nobody looking. Each command is a process that serves itself: it has to bring
// notices up to date before it answers.
func TestNotices(t *testing.T) {
	t.Parallel()
	p, begin := demoPlace(t), demoBegin
	if got := commandAt(t, p, begin.Add(2*time.Hour), 0, "notices", "--output", "json"); !strings.Contains(got, `"items": []`) {
		t.Fatalf("there are notices of a fleet that was just seen:\n%s", got)
	}
	later := begin.AddDate(0, 0, 40)
	var list struct {
		Items []struct {
			Number        string
			Sentence      string
			Shop          string
			EffectiveDate struct{ Year, Month, Day int }
		}
	}
	if err := json.Unmarshal([]byte(commandAt(t, p, later, 0, "notices", "--output", "json")), &list); err != nil {
		t.Fatal(err)
	}
	n := len(list.Items)
	if n < 10 {
		t.Fatalf("%d notices in 40 days", n)
	}
	// The list for people, and the stream, say the same.
	var want []string
	perShop := map[string][]time.Time{} // the days from which they hold
	for i, it := range list.Items {
		d := it.EffectiveDate
		if it.Number != fmt.Sprint(i+1) || d.Year != 2026 {
			t.Errorf("notice %d: %+v", i+1, it)
		}
		want = append(want, fmt.Sprintf("%s  %04d-%02d-%02d  %s  %s", it.Number, d.Year, d.Month, d.Day, lastID(it.Shop), it.Sentence))
		perShop[lastID(it.Shop)] = append(perShop[lastID(it.Shop)], time.Date(d.Year, time.Month(d.Month), d.Day, 0, 0, 0, 0, time.UTC))
	}
	follow := func(after int) []string {
		var got []string
		for l := range strings.Lines(commandAt(t, p, later, n-after, "notices", "--follow", "--after", fmt.Sprint(after))) {
			got = append(got, strings.TrimSuffix(strings.TrimSuffix(l, "\n"), " *"))
		}
		return got
	}
	if got := follow(0); !slices.Equal(got, want) {
		t.Errorf("followed:\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if got := follow(n - 3); !slices.Equal(got, want[n-3:]) {
		t.Errorf("followed from the middle:\n%s", strings.Join(got, "\n"))
	}
	wants(t, commandAt(t, p, later, 0, "notices", "--limit", "1"), "number", "2026-", list.Items[0].Sentence[:20])
	for shop, from := range perShop {
		var days struct {
			Items []struct {
				Date  struct{ Year, Month, Day int }
				Lines []string
			}
		}
		if err := json.Unmarshal([]byte(commandAt(t, p, later, 0, "digest", shop, "--list", "--output", "json")), &days); err != nil {
			t.Fatal(err)
		}
		if len(days.Items) < 39 || len(days.Items) > 41 {
			t.Errorf("%s has %d digests after 40 days", shop, len(days.Items))
		}
		// The digest of a day tells what changed with its end. At some shops that of the last day is still to come.
		var last time.Time
		for _, d := range days.Items {
			if on := time.Date(d.Date.Year, time.Month(d.Date.Month), d.Date.Day, 0, 0, 0, 0, time.UTC); on.After(last) {
				last = on
			}
		}
		m, told := 0, 0
		for _, on := range from {
			if !on.After(last.AddDate(0, 0, 1)) {
				m++
			}
		}
		for _, d := range days.Items {
			if strings.HasPrefix(d.Lines[0], "Nothing") {
				continue
			}
			text := commandAt(t, p, later, 0, "digest", shop, "--date", fmt.Sprintf("%04d-%02d-%02d", d.Date.Year, d.Date.Month, d.Date.Day))
			wants(t, text, shop+", 2026-", "Since the digest before", "At the end of")
			told += strings.Count(text, "  "+shop+"  ")
		}
		if told != m {
			t.Errorf("the digests of %s have %d notices, want %d", shop, told, m)
		}
		break // each day is a process of its own: one shop is enough
	}
	for _, bad := range [][]string{
		{"notices", "--after", "-1"}, {"notices", "--follow", "--limit", "3"}, {"digest", "lagoon", "--date", "2026-06"}, {"digest", "lagoon", "--limit", "3"}, {"digest"},
	} {
		if got := command(t, p.env(), bad...); got.code != exitUsage {
			t.Errorf("%v: exit code %d", bad, got.code)
		}
	}
}
