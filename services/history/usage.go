package history

import (
	"fmt"
	"time"
)

// judge holds against a usage what can be said of it alone.
func (u *Usage) judge(ps []Problem, at string) []Problem {
	if u.Measure == 0 {
		if u.Dives == 0 && u.Running == 0 && u.Fills == 0 {
			ps = append(ps, Problem{at + "increment", "", "at least one of dives, running_time and fills must be above zero", "INVALID_FIELD"})
		}
	} else {
		ps = u.judgeReading(ps, at)
	}
	if u.HasCelsius && u.Running == 0 && u.Measure != RunningTime {
		ps = append(ps, Problem{at + "intake_celsius", fmt.Sprint(u.Celsius), "weighs running time, and there is none here; record the running time too, or leave the temperature out", "INVALID_FIELD"})
	}
	return ps
}

func (u *Usage) judgeReading(ps []Problem, at string) []Problem {
	if u.Estimated {
		ps = append(ps, Problem{at + "estimated", "true", "a meter reading is what the meter showed and no estimate; record an increment for the use that no log or meter shows", "INVALID_FIELD"})
	}
	value, rollover, unit := u.Value, u.Rollover, ""
	if u.Measure == RunningTime {
		// Cut to whole seconds: a meter that shows 999.5 of 1000 seconds is still below its rollover.
		whole := time.Duration(u.Value).Truncate(time.Second)
		value, unit = int64(whole/time.Second), " s"
	}
	if rollover != 0 && rollover <= value {
		ps = append(ps, Problem{at + "reading.rollover", fmt.Sprint(rollover) + unit,
			fmt.Sprintf("must be more than the reading, which is %d%s: it is how many counts the meter has, for example 1000 for three digits; correct it, or leave it out if the meter did not begin again at zero", value, unit), "INVALID_FIELD"})
	}
	return ps
}
