package compliance_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"strandline.example/strandline/internal/tenant"
	"strandline.example/strandline/services/compliance"
)

// scripted answers each read of a feed with the next of its pages, and calls what goes with it first.
type scripted struct {
	*fakeSource
	pages []func(after int64) (compliance.Page, error)
	asked []int64
}

func (s *scripted) Read(_ context.Context, _ tenant.Org, after int64) (compliance.Page, error) {
	s.asked = append(s.asked, after)
	if len(s.pages) == 0 {
		return compliance.Page{}, errors.New("asked once too often")
	}
	next := s.pages[0]
	s.pages = s.pages[1:]
	return next(after)
}

func changes(head int64, numbers ...int64) func(int64) (compliance.Page, error) {
	return func(int64) (compliance.Page, error) {
		p := compliance.Page{Head: head}
		for _, n := range numbers {
			p.Changes = append(p.Changes, compliance.Change{Number: n})
		}
		return p, nil
	}
}

// TestSeeBelievesNoPage: a feed that gives less than its head says, or says less than was seen before, is not taken for the whole.
func TestSeeBelievesNoPage(t *testing.T) {
	t.Parallel()
	for name, give := range map[string]struct {
		have              compliance.Position
		registry, history []func(int64) (compliance.Page, error)
		source            compliance.Source // 0: it sees
		says              string
	}{
		"nothing new":                      {compliance.Position{Registry: 3, History: 5}, pages(changes(3)), pages(changes(5)), 0, ""},
		"nothing at all":                   {compliance.Position{}, pages(changes(0)), pages(changes(0)), 0, ""},
		"a page short of its head goes on": {compliance.Position{Registry: 3}, pages(changes(3)), pages(changes(4, 1, 2), changes(4, 3, 4)), 0, ""},
		"nothing, and the head is further": {compliance.Position{Registry: 3, History: 5}, pages(changes(3)), pages(changes(7)), compliance.History, "gives nothing after 5"},
		"less than was seen":               {compliance.Position{Registry: 3, History: 5}, pages(changes(2)), pages(changes(5)), compliance.Registry, "ends at 2, and 3 was seen before"},
		"an old page":                      {compliance.Position{Registry: 3, History: 5}, pages(changes(3)), pages(changes(5, 4, 5)), compliance.History, "that are none"},
		"unreachable":                      {compliance.Position{}, pages(changes(0)), pages(func(int64) (compliance.Page, error) { return compliance.Page{}, errors.New("refused") }), compliance.History, "cannot be reached"},
		"stops half way":                   {compliance.Position{}, pages(changes(0)), pages(changes(4, 1, 2), changes(4)), compliance.History, "gives nothing after 2"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newProjection()
			p.at[reef] = give.have
			reg, his := &scripted{fakeSource: newSource(), pages: give.registry}, &scripted{fakeSource: newSource(), pages: give.history}
			got, err := compliance.NewApplier(p, reg, his).See(t.Context(), reef)
			var blind *compliance.BlindError
			switch {
			case give.source == 0 && (err != nil || got.Position != p.at[reef]):
				t.Errorf("got %+v, %v; applied is %+v", got, err, p.at[reef])
			case give.source != 0 && (!errors.As(err, &blind) || blind.Source != give.source || !strings.Contains(err.Error(), give.says)):
				t.Errorf("got %+v, %v", got, err)
			}
		})
	}
}

func pages(all ...func(int64) (compliance.Page, error)) []func(int64) (compliance.Page, error) {
	return all
}

// TestSeeIsOfOneInstant: a part is swapped in the registry while history is read. What is seen must have been true of both at once, so both are
// read again, until the registry stands still over a reading of history.
func TestSeeIsOfOneInstant(t *testing.T) {
	t.Parallel()
	p := newProjection()
	reg := &scripted{fakeSource: newSource(), pages: pages(changes(2, 1, 2), changes(3, 3), changes(3))}
	his := &scripted{fakeSource: newSource(), pages: pages(changes(1, 1), changes(2, 2), changes(2))}
	got, err := compliance.NewApplier(p, reg, his).See(t.Context(), reef)
	if err != nil || got.Position != (compliance.Position{Registry: 3, History: 2}) || len(reg.asked) != 3 || len(his.asked) != 3 {
		t.Errorf("got %+v, %v after asking %v and %v", got, err, reg.asked, his.asked)
	}
}

// TestSeeTellsTheLatestClock: of the sources' clocks and of the times of what was applied.
func TestSeeTellsTheLatestClock(t *testing.T) {
	t.Parallel()
	at := func(minute int) time.Time { return time.Date(2026, 6, 1, 9, minute, 0, 0, time.UTC) }
	p := newProjection()
	reg := &scripted{fakeSource: newSource(), pages: pages(func(int64) (compliance.Page, error) { return compliance.Page{At: at(7)}, nil })}
	his := &scripted{fakeSource: newSource(), pages: pages(func(int64) (compliance.Page, error) {
		return compliance.Page{At: at(3), Head: 2, Changes: []compliance.Change{{Number: 1, At: at(9)}, {Number: 2, At: at(2)}}}, nil
	})}
	got, err := compliance.NewApplier(p, reg, his).See(t.Context(), reef)
	if err != nil || !got.Registry.Equal(at(7)) || !got.History.Equal(at(3)) || !got.Latest.Equal(at(9)) {
		t.Errorf("got %+v, %v", got, err)
	}
}

// TestCompleteIsNotedNowAndThen: until when a source was applied whole is noted when a reading has reached its head, and not with every reading.
func TestCompleteIsNotedNowAndThen(t *testing.T) {
	t.Parallel()
	p := newProjection()
	reg, his := newSource(), newSource()
	a := compliance.NewApplier(p, reg, his)
	start := time.Date(2026, 6, 1, 9, 0, 0, 0, time.UTC)
	for s := range 100 {
		for _, f := range []*fakeSource{reg, his} {
			f.set(func() { f.clock = start.Add(time.Duration(s) * time.Second); f.heads[reef] += 25 })
		}
		read := a.Pull
		if s%2 == 0 {
			read = func(ctx context.Context, org tenant.Org) (compliance.Position, error) {
				seen, err := a.See(ctx, org)
				return seen.Position, err
			}
		}
		if _, err := read(t.Context(), reef); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(p.complete); n != 8 {
		t.Errorf("noted %d times in 100 seconds: %v; want four times for each of two sources", n, p.complete)
	}
}
