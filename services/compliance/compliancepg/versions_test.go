package compliancepg_test

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"strandline.example/strandline/services/compliance"
	"strandline.example/strandline/services/compliance/compliancepg"
)

// TestVersionsEndWithWhatThereIs: as known after everything, what is kept change by change says the same as the rows.
func TestVersionsEndWithWhatThereIs(t *testing.T) {
	long(t)
	t.Parallel()
	w, f := builtFleet(t, 50, 400)
	instants := []time.Time{today, f.instant(), today.AddDate(0, 3, 0)}
	answers := func(known time.Time) (out []string) {
		for _, at := range instants {
			w.read(func(ctx context.Context, r *compliancepg.Reader) error {
				for _, byUsage := range []bool{false, true} {
					rows, _, err := r.Due(ctx, compliance.DueQuery{At: at, Known: known, Horizon: 400, ByUsage: byUsage, Limit: 1000})
					if err != nil {
						return err
					}
					for i := range rows {
						out = append(out, line(&rows[i]))
					}
				}
				sets, err := r.Derive(ctx, f.ids(), at, known)
				for _, s := range sets {
					out = append(out, s.Tag+s.Kind+s.Size+s.Self.Stay.Shop+s.Self.Commissioned.String()+s.Self.Retired.UTC().String()+s.Self.Host.String())
				}
				return err
			})
		}
		return out
	}
	want := answers(time.Time{})
	if diff := cmp.Diff(want, answers(today.AddDate(5, 0, 0))); diff != "" {
		t.Errorf("by the rows (-), by the versions (+):\n%s", diff)
	}
	if len(want) < 300 || !slices.ContainsFunc(want, func(s string) bool { return strings.Contains(s, "first-stage") }) {
		t.Errorf("only %d lines compared", len(want))
	}
}
