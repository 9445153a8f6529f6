package compliancerpc

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	compliancepb "strandline.example/strandline/proto/strandline/compliance/v1"
	"strandline.example/strandline/services/compliance/due"
)

func (r *questionReader) readFittings(ps []*compliancepb.EvaluatedFitting) {
	for i, p := range ps {
		at := fmt.Sprintf("fittings[%d]", i)
		f := due.Fitting{
			Part: r.unit(at+".part", p.GetPart()), Host: r.unit(at+".host", p.GetHost()),
			From: r.instant(at+".fit_time", p.GetFitTime()), To: r.instant(at+".unfit_time", p.GetUnfitTime()),
		}
		if !f.To.IsZero() && !f.From.Before(f.To) {
			r.bad(at+".unfit_time", f.To.Format(time.RFC3339), "want an instant after fit_time")
		}
		r.input.Fittings = append(r.input.Fittings, f)
	}
	if len(r.violations) == 0 {
		r.checkFittings()
	}
}

// checkFittings refuses a part in two places at once and a unit within itself, as registry does.
func (r *questionReader) checkFittings() {
	order := make([]int, len(r.input.Fittings))
	for i := range order {
		order[i] = i
	}
	fs := r.input.Fittings
	slices.SortFunc(order, func(a, b int) int {
		return cmp.Or(slices.Compare(fs[a].Part[:], fs[b].Part[:]), fs[a].From.Compare(fs[b].From), a-b)
	})
	for k := 1; k < len(order); k++ {
		before, f := &fs[order[k-1]], &fs[order[k]]
		if before.Part == f.Part && (before.To.IsZero() || before.To.After(f.From)) {
			r.badFor("FITTING_OVERLAP", fmt.Sprintf("fittings[%d]", order[k]), r.units.name(f.Part), "the unit is fitted elsewhere at that time: it would be in two places at once")
		}
	}
	if len(r.violations) > 0 {
		return
	}
	// A cycle begins when one of its fittings does.
	for i := range fs {
		host := fs[i].Host
		for range len(fs) + 1 {
			if host == fs[i].Part {
				r.badFor("FITTING_CYCLE", fmt.Sprintf("fittings[%d].host", i), r.units.name(fs[i].Host), "the unit would contain itself")
				break
			}
			var ok bool
			if host, ok = due.HostAt(fs, host, fs[i].From); !ok {
				break
			}
		}
	}
}

func lastSegment(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
