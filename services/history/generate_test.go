package history_test

import (
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/history"
)

// drawEntry draws any entry that the ledger can hold, and some that rules would refuse.
func drawEntry(t *rapid.T) history.Entry {
	e := history.Entry{
		ID: drawUUID(t), Unit: drawUUID(t), Occurred: drawInstant(t), Shop: rapid.SampledFrom([]string{"", "quay", "north-pier"}).Draw(t, "shop"),
		Technician: rapid.SampledFrom([]string{"", "ada"}).Draw(t, "technician"), Note: rapid.String().Draw(t, "note"),
	}
	e.Detail = drawDetail(t, 6)
	return e
}

func drawDetail(t *rapid.T, kinds int) (d history.Detail) {
	switch rapid.IntRange(1, kinds).Draw(t, "kind") {
	case 1:
		u := &history.Usage{Reference: rapid.String().Draw(t, "reference")}
		if rapid.Bool().Draw(t, "reading") {
			u.Measure = history.Measure(rapid.IntRange(1, 3).Draw(t, "measure"))
			u.Value = rapid.Int64().Draw(t, "value")
			if u.Replaced = rapid.Bool().Draw(t, "replaced"); u.Replaced {
				u.Start = rapid.Int64().Draw(t, "start")
			}
			u.Rollover = rapid.SampledFrom([]int64{0, 0, 1, 1000, -1, 1 << 62}).Draw(t, "rollover")
		} else {
			u.Dives, u.Running, u.Fills = rapid.Int64().Draw(t, "dives"), time.Duration(rapid.Int64().Draw(t, "running")), rapid.Int64().Draw(t, "fills")
		}
		u.Estimated = rapid.IntRange(0, 3).Draw(t, "estimated") == 0
		if u.HasCelsius = rapid.IntRange(0, 3).Draw(t, "measured") == 0; u.HasCelsius {
			u.Celsius = rapid.Int16().Draw(t, "celsius")
		}
		d.Usage = u
	case 2:
		d.Service = drawWork(t, rapid.SliceOfN(rapid.String(), 0, 4).Draw(t, "activities"))
	case 3:
		d.Test = drawWork(t, []string{rapid.String().Draw(t, "activity")})
	case 4:
		d.Condition = &history.Condition{Condition: rapid.String().Draw(t, "condition"), Severity: history.Severity(rapid.IntRange(1, 2).Draw(t, "severity"))}
		if cleared := rapid.SliceOfN(rapid.String(), 0, 2).Draw(t, "cleared by"); len(cleared) > 0 {
			d.Condition.ClearedBy = cleared
		}
	case 5:
		a := &history.Amendment{Corrects: drawUUID(t), Reason: rapid.String().Draw(t, "reason")}
		if rapid.Bool().Draw(t, "replaces") {
			a.Replacement = &history.Replacement{Occurred: drawInstant(t), Detail: drawDetail(t, 4)}
		}
		d.Amendment = a
	case 6:
		d.Order = &history.OrderEvent{Order: drawUUID(t), Content: drawBytes(t, "content")}
	}
	return d
}

func drawWork(t *rapid.T, activities []string) *history.Work {
	w := &history.Work{Activities: activities, Outcome: history.Outcome(rapid.IntRange(1, 4).Draw(t, "outcome")), Provider: rapid.String().Draw(t, "provider")}
	if len(activities) == 0 {
		w.Activities = nil
	}
	switch rapid.IntRange(0, 2).Draw(t, "mark") {
	case 1:
		w.Mark = civil.Day(civil.New(1900, 1, 1).AddDays(rapid.IntRange(0, 300000).Draw(t, "day")))
	case 2:
		w.Mark = civil.Month(rapid.IntRange(1900, 2999).Draw(t, "year"), time.Month(rapid.IntRange(1, 12).Draw(t, "month")))
	}
	if rapid.IntRange(0, 2).Draw(t, "bench") == 0 {
		w.Order, w.Calibration = drawUUID(t), drawBytes(t, "calibration")
		if rapid.Bool().Draw(t, "read") {
			w.Readings = drawUUID(t)
		}
	}
	return w
}

// drawBytes draws bytes, nil for none.
func drawBytes(t *rapid.T, label string) []byte {
	if b := rapid.SliceOfN(rapid.Byte(), 0, 8).Draw(t, label); len(b) > 0 {
		return b
	}
	return nil
}

func drawUUID(t *rapid.T) (id uuid.UUID) {
	copy(id[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, "uuid"))
	if id == uuid.Nil {
		id[0] = 1
	}
	return id
}

// drawInstant draws an instant that a protobuf Timestamp can hold, years 1 to 9999.
func drawInstant(t *rapid.T) time.Time {
	return time.UnixMicro(rapid.Int64Range(-62135596800000000, 253402300799999999).Draw(t, "instant")).UTC()
}
