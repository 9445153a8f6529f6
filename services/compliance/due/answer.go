package due

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// State is where a clock stands on a day, the worse the greater. The zero State is that of a unit without clocks.
type State uint8

// The states, as in the proto.
const (
	Fine     State = iota + 1 // within its limits
	DueSoon                   // inside the rule's lead
	Due                       // at its limit: the last day of use (not blocking), or nothing left (blocking)
	Overdue                   // past its limit; blocking
	NoAnchor                  // nothing says from when to count; blocking
)

// Clock is one rule of one pack revision running on one unit. Nothing in it depends on the present: State, Blocking and
// Explain take the day they are asked for.
type Clock struct {
	Unit uuid.UUID
	Pack *Pack // the revision
	Rule *Rule // the rule in it

	// The revision is in force from InForceFrom until the day before InForceUntil; a zero InForceUntil is open.
	InForceFrom  civil.Date
	InForceUntil civil.Mark

	// What it counts from: an entry that performed the activity and passed, else a baseline, else nothing.
	AnchorEntry    uuid.UUID  // zero if it does not count from an entry
	AnchorActivity string     // what that entry performed: the rule's activity, or one that satisfies it
	AnchorBaseline Baseline   // zero if it does not count from a baseline
	AnchorDate     civil.Mark // months count from here; zero without an anchor
	AnchorOccurred time.Time  // usage counts from here on, inclusive; zero for all usage there is
	// AnchorMark is the mark of the anchor entry if it was set aside for lying after the work itself; zero otherwise.
	AnchorMark civil.Mark

	// What the limits are for this unit: the rule's own, unless intense use, evidence or storage say otherwise.
	Months     int        // 0 for none
	MonthStamp bool       // of the months
	Limit      Amount     // 0 for none
	Basis      Basis      // what made the date limit
	BasisEntry uuid.UUID  // the evidence, or the use with which it was intense; zero if neither
	BasisUntil civil.Mark // the last day for which the evidence counts

	Rejected    uuid.UUID // later work of the activity that did not count; zero if there is none
	RejectedWhy Why
	AnchorLate  bool // the work was late and AnchorDate is the day by which it should have been done

	AnchorExpiry civil.Mark // the expiry marked with the work it counts from; zero if there is none

	DueOn      civil.Mark // last day of use; zero without a date limit or an anchor
	Used       Amount     // since the anchor; all usage there is without one. Running time is weighed
	Estimated  Amount     // the part of Used that is an estimate
	PhaseIn    civil.Mark // up to and with this day the rule does not block the unit, because it was phased in; zero if it was not
	Waivers    []Waived   // that excuse the unit, by first day
	ExpectedOn civil.Mark // day the first usage limit will be reached at the present rate; zero if there is no rate or nothing left
}

// Basis is what made a clock's date limit.
type Basis uint8

// The bases.
const (
	BasisRule     Basis = iota // the rule's own limit
	BasisIntense               // intense use
	BasisEvidence              // evidence that allows a longer one
	BasisStorage               // never used
)

// Why says why work did not count.
type Why uint8

// The reasons why work did not count.
const (
	WhyNone  Why = iota
	WhyAlone     // a companion is missing
	WhyLate      // it was late, and something more thorough is needed
)

// Waived is a waiver as far as a clock depends on it: the days on which it excuses the unit, both included.
type Waived struct {
	ID       string
	From, To civil.Date
	Signer   string
	Reason   string
}

// Cause is what placed a hold.
type Cause uint8

// The causes, as in the proto.
const (
	CauseManual Cause = iota + 1
	CauseFailed
	CauseInconclusive
	CauseCondition
	CauseMissingHistory
	CauseCondemned
	CauseRecall
	CauseOrder
)

// Hold is a stated reason why a unit may not be used. One that was lifted stays, with its Lifted.
type Hold struct {
	ID     string // unique among the unit's; the same after every derivation; [0-9a-z-]{1,100}
	Unit   uuid.UUID
	Cause  Cause
	Reason string // one sentence for people
	Blocks Use
	Opened time.Time
	Lifted time.Time // zero while open; may lie in the future, where a later pack revision ends it

	Entry     uuid.UUID // the entry behind it, of the same unit; zero for manual holds and where a rule has no anchor
	Pack      string    // the rule behind it, for missing history of a rule
	Rule      string
	ClearedBy []string // activities any of which, passed strictly later, lifts it

	Placer     string    // manual holds: who placed it
	Lifter     string    // manual holds and recalls: who lifted it
	LiftReason string    // manual holds and recalls: why
	Proof      uuid.UUID // the entry that lifted it; zero if none did
}

// OpenAt says whether the hold is open at an instant: from Opened until just before Lifted.
func (h *Hold) OpenAt(at time.Time) bool {
	return !at.Before(h.Opened) && (h.Lifted.IsZero() || at.Before(h.Lifted))
}

// Derived is what the facts and entries of a unit come to: limits and holds, independent of the present.
type Derived struct {
	Unit         uuid.UUID
	Stay         Stay       // at the instant derived for, or the last
	Host         uuid.UUID  // unit it is fitted to at that instant, or at the end; zero if it stands alone
	Commissioned civil.Mark // zero if not known
	Retired      time.Time  // zero while in the fleet
	LastFill     time.Time  // zero if it was never filled
	Clocks       []Clock    // of every pack revision that scopes the unit, by pack, in-force day and place in the pack
	Holds        []Hold     // open and lifted, by Opened and ID
}

// Code names a reason, as in strandline.type.v1.Reason without its prefix.
type Code string

// The codes that this package gives.
const (
	HoldOpen              Code = "HOLD_OPEN"
	DateLimitPassed       Code = "DATE_LIMIT_PASSED"
	DateLimitBeforeReturn Code = "DATE_LIMIT_BEFORE_RETURN"
	UsageLimitReached     Code = "USAGE_LIMIT_REACHED"
	UsageLeftTooLittle    Code = "USAGE_LEFT_TOO_LITTLE"
	MissingHistory        Code = "MISSING_HISTORY"
	UnitCondemned         Code = "CONDEMNED"
	EndOfLife             Code = "END_OF_LIFE"
	Retired               Code = "RETIRED"
	FittedElsewhere       Code = "FITTED_ELSEWHERE"
	NotYetCommissioned    Code = "NOT_YET_COMMISSIONED"
	NoRule                Code = "NO_RULE"

	// These two are given by those who know what is promised.
	AlreadyPromised Code = "ALREADY_PROMISED"
	Out             Code = "OUT"
)

// Reason is one reason for a no.
type Reason struct {
	Code   Code
	Blocks Use
	Unit   uuid.UUID // the unit itself, or a part fitted to it
	Clock  *Clock    // the clock behind it, or nil
	Hold   *Hold     // the hold behind it, or nil

	On       civil.Date // the day it is said for: the day asked about, or the return day of a window
	Measure  Measure    // usage reasons: which measure
	Expected int64      // USAGE_LEFT_TOO_LITTLE: how much is expected, hours in nanoseconds
	Promised int64      // USAGE_LEFT_TOO_LITTLE: how much of what is left is promised already
	Host     uuid.UUID  // FITTED_ELSEWHERE: the unit it is fitted to
	Stay     Stay       // ALREADY_PROMISED and OUT: where the unit is
	From     time.Time  // ALREADY_PROMISED and OUT: the window it is promised for
	Until    time.Time
}

// Standing is what a unit may be used for at an instant. It points into the Derived it was made from.
type Standing struct {
	Unit       uuid.UUID
	At         time.Time
	On         civil.Date // the civil date at At in the unit's zone
	Stay       Stay
	Host       uuid.UUID // zero if it stands alone
	MayHandOut bool
	MayFill    bool
	Reasons    []Reason // empty only if both are allowed
	Clocks     []*Clock // in force on On: its own, then its parts'
	Holds      []*Hold  // open: its own, then its parts'
	Parts      []uuid.UUID
	State      State // the worst of Clocks
	Cautions   []string
}

// Names says how people call units and entries in sentences. A nil func gives the UUID.
type Names struct {
	Unit, Entry func(uuid.UUID) string
}
