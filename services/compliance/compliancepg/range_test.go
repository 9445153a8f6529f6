package compliancepg_test

import (
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/pgtest"
	"strandline.example/strandline/services/compliance/promise"
)

// TestRangesAgree asks PostgreSQL about every pair of windows of a grid as ranges. The constraint that keeps promises apart uses its &&, the
// code Window.Overlaps: they must never differ. Its other operators say Allen's relations in their own way.
func TestRangesAgree(t *testing.T) {
	t.Parallel()
	conn, err := pgx.Connect(t.Context(), pgtest.New(t).DSN())
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close(t.Context()) }()
	day := time.Date(2026, 10, 24, 22, 0, 0, 0, time.UTC)
	var starts, ends []time.Time
	for from := range 6 {
		for to := from + 1; to < 6; to++ {
			starts, ends = append(starts, day.Add(time.Duration(from)*time.Hour)), append(ends, day.Add(time.Duration(to)*time.Hour))
		}
	}
	rows, err := conn.Query(t.Context(), `
		with w as (select s, e, tstzrange(s, e) as r from unnest($1::timestamptz[], $2::timestamptz[]) as w (s, e))
		select a.s, a.e, b.s, b.e, a.r && b.r, a.r -|- b.r, a.r << b.r, a.r >> b.r, a.r &< b.r, a.r &> b.r, a.r @> b.r, a.r <@ b.r, a.r = b.r
		from w as a cross join w as b`, starts, ends)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[promise.Relation]bool{}
	for rows.Next() {
		var a, b promise.Window
		var overlaps, adjacent, left, right, notRightOf, notLeftOf, contains, within, equal bool
		if err := rows.Scan(&a.Start, &a.End, &b.Start, &b.End, &overlaps, &adjacent, &left, &right, &notRightOf, &notLeftOf, &contains, &within, &equal); err != nil {
			t.Fatal(err)
		}
		r := promise.Relate(a, b)
		seen[r] = true
		is := func(any ...promise.Relation) bool {
			for _, one := range any {
				if r == one {
					return true
				}
			}
			return false
		}
		for operator, same := range map[string]bool{
			"&&":        overlaps == a.Overlaps(b) && overlaps != r.Disjoint(),
			"-|-":       adjacent == is(promise.Meets, promise.MetBy),
			"<<":        left == is(promise.Before, promise.Meets),
			">>":        right == is(promise.After, promise.MetBy),
			"@>":        contains == is(promise.Contains, promise.StartedBy, promise.FinishedBy, promise.Equals),
			"<@":        within == is(promise.During, promise.Starts, promise.Finishes, promise.Equals),
			"=":         equal == is(promise.Equals),
			"&< and &>": (notRightOf && notLeftOf) == within, // it does not extend to either side
		} {
			if !same {
				t.Errorf("%s of %v and %v, where the one %s the other", operator, a, b, r)
			}
		}
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	if len(seen) != 13 {
		t.Errorf("only %d relations were seen", len(seen))
	}
}
