package notice_test

import (
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/internal/rounds"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/notice"
)

func seed(t testing.TB) *rand.Rand {
	t.Helper()
	return rand.New(rand.NewPCG(rounds.Seed(t), 3))
}

func day(t testing.TB, s string) civil.Date {
	t.Helper()
	d, err := time.Parse(time.DateOnly, s)
	if err != nil {
		t.Fatal(err)
	}
	return civil.New(d.Date())
}

// randomClocks are the clocks of up to three revisions of a rule, which follow one another, some with a gap.
func randomClocks(rng *rand.Rand, near civil.Date) []due.Clock {
	var out []due.Clock
	from := near.AddDays(rng.IntN(200) - 150)
	for n := rng.IntN(4); n > 0; n-- {
		c := due.Clock{
			Pack: &due.Pack{ID: "house", Revision: int64(len(out) + 1)}, Rule: &due.Rule{ID: "r", LeadDays: rng.IntN(45)}, InForceFrom: from,
		}
		if rng.IntN(8) > 0 {
			c.AnchorDate = civil.Day(near)
		}
		if rng.IntN(4) > 0 {
			c.DueOn = civil.Day(near.AddDays(rng.IntN(200) - 60))
		}
		if rng.IntN(3) == 0 {
			c.Limit, c.Used = due.Amount{Dives: 100}, due.Amount{Dives: int64(80 + rng.IntN(25))}
		}
		if rng.IntN(4) == 0 {
			c.PhaseIn = civil.Day(near.AddDays(rng.IntN(120) - 40))
		}
		for m := rng.IntN(3); m > 0; m-- {
			w := due.Waived{ID: strconv.Itoa(m), From: near.AddDays(rng.IntN(150) - 50)}
			if w.To = w.From.AddDays(rng.IntN(60)); len(c.Waivers) == 0 || w.From >= c.Waivers[0].From {
				c.Waivers = append(c.Waivers, w)
			}
		}
		if from = from.AddDays(1 + rng.IntN(150)); n > 1 || rng.IntN(3) == 0 {
			c.InForceUntil = civil.Day(from)
		}
		out = append(out, c)
		from = from.AddDays(max(0, rng.IntN(40)-30))
	}
	return out
}

// TestCourseAgreesWithEveryDay walks day by day what the engine says of clocks and wants the same of their course.
func TestCourseAgreesWithEveryDay(t *testing.T) {
	t.Parallel()
	rng := seed(t)
	near := civil.New(2026, time.May, 1)
	steps := 0
	for range 5000 {
		clocks := randomClocks(rng, near)
		commissioned := civil.Mark{}
		if rng.IntN(3) == 0 {
			commissioned = civil.Day(near.AddDays(rng.IntN(100) - 50))
		}
		from := near.AddDays(rng.IntN(100) - 50)
		now, plan := notice.Course(clocks, commissioned, from)
		steps += len(plan)
		for on := from; on < from.AddDays(500); on++ {
			for len(plan) > 0 && plan[0].On == on {
				if plan[0].State == now.State && plan[0].Blocking == now.Blocking {
					t.Fatalf("%v: a step that changes nothing: %+v", on, clocks)
				}
				now, plan = plan[0].Standing, plan[1:]
			}
			var state due.State
			var blocking bool
			var revision int64
			for i := range clocks {
				if c := &clocks[i]; c.InForce(on) && (commissioned.IsZero() || on >= commissioned.First()) {
					state, blocking, revision = c.State(on), c.Blocking(on), c.Pack.Revision
					break
				}
			}
			if now.State != state || now.Blocking != blocking || now.Runs() != (revision != 0) {
				t.Fatalf("from %v, on %v: %+v, want state %v, blocking %v\n%+v", from, on, now, state, blocking, clocks)
			}
		}
		if len(plan) > 0 {
			t.Fatalf("steps are left: %+v", plan)
		}
	}
	if steps < 5000 {
		t.Errorf("only %d steps were tried", steps)
	}
}

func TestSentences(t *testing.T) {
	t.Parallel()
	last := civil.Day(day(t, "2026-05-03"))
	fine, soon := notice.Standing{State: due.Fine, DueOn: last}, notice.Standing{State: due.DueSoon, DueOn: last}
	for _, tt := range []struct {
		from, to notice.Standing
		want     string
	}{
		{fine, soon, "GB-REG-014: Yearly service is due soon; last day of use 3 May 2026."},
		{fine, notice.Standing{State: due.DueSoon, DueOn: last, Left: "9 dives"}, "GB-REG-014: Yearly service is due soon; 9 dives left."},
		{soon, notice.Standing{State: due.Due, DueOn: last}, "GB-REG-014: Yearly service is due; this is the last day of use."},
		{soon, notice.Standing{State: due.Due, Blocking: true, Left: "0 dives"}, "GB-REG-014: Yearly service is due; nothing is left of its limit."},
		{soon, notice.Standing{State: due.Overdue, Blocking: true, DueOn: last}, "GB-REG-014: Yearly service is overdue; the last day of use was 3 May 2026."},
		{soon, notice.Standing{State: due.Overdue, DueOn: last}, "GB-REG-014: Yearly service is overdue; the last day of use was 3 May 2026; it is excused for now."},
		{notice.Standing{State: due.Overdue, DueOn: last}, notice.Standing{State: due.Overdue, Blocking: true, DueOn: last}, "GB-REG-014: Yearly service is not excused any more: it is overdue, and the unit is blocked."},
		{notice.Standing{State: due.Overdue, Blocking: true}, notice.Standing{State: due.Overdue}, "GB-REG-014: Yearly service is overdue, and is excused for now."},
		{soon, fine, "GB-REG-014: Yearly service is fine again; last day of use 3 May 2026."},
		{notice.Standing{}, notice.Standing{State: due.Fine}, "GB-REG-014: Yearly service applies to the unit from now on."},
		{fine, notice.Standing{State: due.NoAnchor, Blocking: true}, "GB-REG-014: Yearly service has nothing on record to count from."},
		{fine, notice.Standing{}, "GB-REG-014: Yearly service does not apply to the unit any more."},
	} {
		c := notice.Change{From: tt.from, To: tt.to}
		if got := c.Sentence("GB-REG-014", "Yearly service"); got != tt.want {
			t.Errorf("%s\nwant %s", got, tt.want)
		}
	}
}

// TestLeft checks what is said to be left, against subtraction by hand.
func TestLeft(t *testing.T) {
	t.Parallel()
	on := day(t, "2026-05-03")
	for _, tt := range []struct {
		limit, used due.Amount
		want        string
	}{
		{due.Amount{Dives: 100}, due.Amount{Dives: 99}, "1 dive"},
		{due.Amount{Dives: 100}, due.Amount{Dives: 91}, "9 dives"},
		{due.Amount{Dives: 100}, due.Amount{Dives: 50}, ""},
		{due.Amount{Hours: 50 * time.Hour}, due.Amount{Hours: 45*time.Hour + 30*time.Minute}, "4h30m"},
		{due.Amount{Hours: 50 * time.Hour}, due.Amount{Hours: 49 * time.Hour}, "1 hour"},
		{due.Amount{Dives: 1000, Fills: 10}, due.Amount{Fills: 9}, "1 fill"},
	} {
		c := due.Clock{Pack: &due.Pack{Revision: 1}, Rule: &due.Rule{}, AnchorDate: civil.Day(on), Limit: tt.limit, Used: tt.used, DueOn: civil.Day(on + 300)}
		if now, _ := notice.Course([]due.Clock{c}, civil.Mark{}, on); now.Left != tt.want {
			t.Errorf("%+v of %+v: %q left, want %q", tt.used, tt.limit, now.Left, tt.want)
		}
	}
}
