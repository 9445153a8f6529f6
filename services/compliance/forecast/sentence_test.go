package forecast

import (
	"testing"
	"time"

	"strandline.example/strandline/internal/civil"
)

// TestSentence reads the sentences of what can come out.
func TestSentence(t *testing.T) {
	t.Parallel()
	before := civil.New(2026, time.July, 1)
	peers := make([]History, 12)
	for i := range peers {
		peers[i] = steady(100+i, 7, 2)
	}
	old, fresh, guessed, rare := steady(150, 7, 2), History{From: asked}, steady(30, 7, 2), steady(2, 500, 1)
	for i := range guessed.Uses {
		guessed.Uses[i].Estimated = i > 5
	}
	for _, c := range []struct {
		own   History
		peers []History
		left  float64
		of    Noun
		want  string
	}{
		{
			old, peers, 20, Dives,
			"20 dives are left. At 2.3 dives a week at this time of the year, by its own history, it will be used up about 2026-08-07: with a chance of 1 in 20 by 2026-07-20, of 19 in 20 by 2026-08-28. The chance that it is used up before 2026-07-01 is less than 1%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			old, nil, 1, Fills,
			"1 fill is left. At 2.3 fills a week at this time of the year, by its own history, it will be used up about 2026-06-03: with a chance of 1 in 20 by 2026-06-01, of 19 in 20 by 2026-06-08. The chance that it is used up before 2026-07-01 is more than 99%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			fresh, peers, 55, Dives,
			"55 dives are left. At 2.3 dives a week at this time of the year, by 12 other units of its kind, it will be used up about 2026-12-25: with a chance of 1 in 20 by 2026-09-02, of 19 in 20 by 2028-01-13. The chance that it is used up before 2026-07-01 is less than 1%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			fresh, peers[:1], 400, Dives,
			"400 dives are left. At 2.2 dives a week at this time of the year, by one other unit of its kind, it will be used up about 2031-12-08: with a chance of 1 in 20 by 2027-09-08, and it may last for more than 10 years. The chance that it is used up before 2026-07-01 is less than 1%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			guessed, peers, 12.5, Hours,
			"12 hours of running time are left. At 2.3 hours of running time a week at this time of the year, by its own history, it will be used up about 2026-07-11: with a chance of 1 in 20 by 2026-06-27, of 19 in 20 by 2026-08-01. The chance that it is used up before 2026-07-01 is 13%. Most of its recorded use is an estimate. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			guessed, peers, 0.5, Hours,
			"Less than one hour of running time is left. At 2.3 hours of running time a week at this time of the year, by its own history, it will be used up about 2026-06-02: with a chance of 1 in 20 by 2026-06-01, of 19 in 20 by 2026-06-07. The chance that it is used up before 2026-07-01 is more than 99%. Most of its recorded use is an estimate. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			rare, nil, 3, Fills,
			"3 fills are left. At less than 0.1 fills a week at this time of the year, by its own history, of which there is little, it will be used up about 2029-02-21: with a chance of 1 in 20 by 2027-01-13, and it may last for more than 10 years. The chance that it is used up before 2026-07-01 is less than 1%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			rare, nil, 60, Fills,
			"60 fills are left. At less than 0.1 fills a week at this time of the year, by its own history, of which there is little, it is expected to last for more than 10 years. The chance that it is used up before 2026-07-01 is less than 1%. This is an estimate for planning; the limit is judged by what was counted.",
		},
		{
			fresh, nil, 60, Fills,
			"60 fills are left, and there is no use on record, of the unit or of its kind, to say from when it will be used up.",
		},
	} {
		o := Learn(&c.own, c.peers, asked).Outlook(&c.own, c.left, c.of != Hours)
		if got := o.Sentence(int64(c.left), c.of, before); got != c.want {
			t.Errorf("got  %q\nwant %q", got, c.want)
		}
	}
}
