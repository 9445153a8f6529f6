package compliancerpc

import (
	"context"
	"fmt"
	"testing"

	"github.com/jackc/pgx/v5"

	"strandline.example/strandline/internal/tenant"
	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
)

// BenchmarkSummarizeChain summarizes 90 days of chains of twenty kinds, a shop to every 1,000 units; each shop wants 45 of its 50 of a kind to spare, so that
// moves are looked for too.
func BenchmarkSummarizeChain(b *testing.B) {
	for _, units := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprintf("units=%d", units), func(b *testing.B) {
			r := newRig(b)
			r.publish("house", searchPack)
			conn, err := pgx.Connect(b.Context(), r.data.DSN())
			if err != nil {
				b.Fatal(err)
			}
			defer func() { _ = conn.Close(context.WithoutCancel(b.Context())) }()
			searchFleet(b, conn, tenant.Must("reef"), units)
			settle(b, conn)
			for b.Loop() {
				resp, err := r.availability.SummarizeChain(b.Context(), &compliancepb.SummarizeChainRequest{Parent: r.org, Spare: 45})
				if err != nil {
					b.Fatal(err)
				}
				if rows := resp.GetRows(); len(rows) != 20*max(1, units/1000) || rows[0].GetOwned() != 50 {
					b.Fatalf("%d rows, the first %v", len(rows), rows[0])
				}
			}
		})
	}
}
