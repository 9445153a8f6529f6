package historyrpc_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	datepb "google.golang.org/genproto/googleapis/type/date"

	"strandline.example/strandline/internal/tenant"
	historypb "strandline.example/strandline/proto/strandline/history/v1"
)

// BenchmarkAppend1000 compares a batch of 1,000 entries through the whole stack (gRPC, token, validation, a real registry,
// row-level security, chain) with a raw COPY of the same rows into the same table with the same indexes, by a superuser. The sides take
// turns (ABAB), each in an org of its own, in one run. It reports entries/s of both and their ratio; the goal is 0.25.
func BenchmarkAppend1000(b *testing.B) {
	r, registry := withRegistry(b)
	units := register(b, registry, "quay", &datepb.Date{Year: 2024, Month: 1, Day: 10}, 1000)
	client := r.client(orgA)
	conn := r.admin()
	raw := tenant.Must(orgB)

	const n = 1000
	var ours, theirs []time.Duration
	for round := 0; b.Loop(); round++ {
		entries := make([]*historypb.Entry, n)
		for i := range entries {
			entries[i] = dives(units[i], start.Add(-time.Duration(n-i)*time.Second), 2)
			entries[i].GetUsage().Reference = fmt.Sprintf("R-%06d", round)
		}
		began := time.Now()
		appendEntries(b, client, orgA, entries...)
		ours = append(ours, time.Since(began))

		b.StopTimer()
		rows := lastRows(b, conn, n)
		for i := range rows {
			rows[i][0] = [16]byte(raw.UUID)
			rows[i][2] = [16]byte(uuid.New())
		}
		b.StartTimer()
		began = time.Now()
		if _, err := conn.CopyFrom(b.Context(), pgx.Identifier{"history", "entries"}, copyColumns, pgx.CopyFromRows(rows)); err != nil {
			b.Fatal(err)
		}
		theirs = append(theirs, time.Since(began))
	}
	if len(ours) < 2 {
		return // the first round of a benchmark warms up
	}
	slices.Sort(ours)
	slices.Sort(theirs)
	mine, copied := n/ours[len(ours)/2].Seconds(), n/theirs[len(theirs)/2].Seconds()
	b.ReportMetric(mine, "entries/s")
	b.ReportMetric(copied, "copied/s")
	b.ReportMetric(mine/copied, "ratio")
	b.Logf("append %.0f entries/s (slowest %v, fastest %v), COPY %.0f rows/s (slowest %v, fastest %v), ratio %.2f",
		mine, ours[len(ours)-1], ours[0], copied, theirs[len(theirs)-1], theirs[0], mine/copied)
}

var copyColumns = []string{"org_id", "sequence", "entry_id", "unit_id", "shop", "kind", "occurred", "recorded", "corrects", "recorder", "body", "digest"}

func lastRows(b *testing.B, conn *pgx.Conn, n int) [][]any {
	b.Helper()
	rows, err := conn.Query(context.WithoutCancel(b.Context()),
		`select org_id, sequence, entry_id, unit_id, shop, kind, occurred, recorded, corrects, recorder, body, digest from history.entries where org_id = $1 order by sequence desc limit $2`,
		tenant.Must(orgA).UUID, n)
	if err != nil {
		b.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) ([]any, error) { return row.Values() })
	if err != nil {
		b.Fatal(err)
	}
	slices.Reverse(out)
	return out
}
