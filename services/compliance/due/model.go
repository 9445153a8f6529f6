// Package due decides what is due: clocks, whichever limit comes first, holds, and what a unit may be used for at an
// instant, optionally as known at an instant.
//
// It is pure: no I/O, no clock, no SQL, no gRPC. It works in two steps, so that time passing writes nothing.
// Derive reads the facts and entries and returns limits (due date, usage left) and holds, which do not depend on the
// present; State and Stand judge those at an instant. A question about the past derives from the entries that had
// occurred (and, if asked, had been recorded) by then.
package due

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
)

// Use is a set of things that may be done with a unit.
type Use uint8

// The uses.
const (
	HandOut Use = 1 << iota
	Fill
)

// Authority is who says so.
type Authority uint8

// The authorities, as in the proto.
const (
	Law Authority = iota + 1
	Standard
	Maker
	House
)

// Baseline is what a clock counts from while its activity was never performed.
type Baseline uint8

// The baselines, as in the proto.
const (
	Manufacture Baseline = iota + 1
	FirstUse
	Commissioning
)

// Outcome is how a service or test ended.
type Outcome uint8

// The outcomes, as in the proto.
const (
	Pass Outcome = iota + 1
	Fail
	Inconclusive
	Condemned
)

// Kind is what an entry tells of.
type Kind uint8

// The entry kinds. Work is a service or a test: activities with an outcome.
const (
	UsageEntry Kind = iota + 1
	Work
	Condition
	Amendment
	OrderEntry // something that happened to a service order
)

// Amount is dives, running time and fills together.
type Amount struct {
	Dives int64
	Hours time.Duration // running time
	Fills int64
}

// Entry is one line of a unit's history.
type Entry struct {
	ID       uuid.UUID
	Unit     uuid.UUID
	Occurred time.Time
	Recorded time.Time
	Kind     Kind

	// UsageEntry: an increment, or a meter reading of exactly one measure.
	Amount      Amount
	Reading     bool    // Amount is what the meter showed, in the measure of Meter
	Meter       Measure // which of Amount's measures a reading is of
	Replaced    bool    // the meter was replaced here; Replacement is the new one's first reading
	Replacement Amount
	Rollover    int64 // the meter passed this count once since the reading before and began again at zero; 0 if not. Hours in nanoseconds
	Estimated   bool  // it is an estimate, for a log that is missing
	Celsius     int16 // temperature of the air drawn in, if HasCelsius
	HasCelsius  bool

	// Work: what was done. Condition: what lifts its hold; none leaves that to the packs. OrderEntry: what an opened order is for.
	Activities []string

	// Work.
	Outcome Outcome
	Mark    civil.Mark // date marked on the unit; intervals count from it

	// Condition.
	Condition string
	Pull      bool

	// Amendment.
	Corrects uuid.UUID
	Correct  *Entry // what is right instead (Occurred and detail only); nil when it never happened

	Order *OrderEvent // OrderEntry; never amended
}

// Measure is one of Amount's.
type Measure uint8

// The measures.
const (
	Dives Measure = iota + 1
	Hours
	Fills
)

// Fitting says that Part was fitted to Host from From until To; a zero To is open. From is inside, To is not.
type Fitting struct {
	Part, Host uuid.UUID
	From, To   time.Time
}

// Stay says where a unit was from an instant on. The first stay is open to the past.
type Stay struct {
	From         time.Time
	Zone         *time.Location
	Jurisdiction string
	Shop         string
}

// Facts is what is known of a unit.
type Facts struct {
	Unit         uuid.UUID
	Kind         string
	Maker        string
	Model        string
	Serial       string
	Size         string
	Attributes   map[string]string
	Manufactured civil.Mark
	Commissioned civil.Mark
	Stays        []Stay    // at least one, earliest first
	Retired      time.Time // zero while in the fleet
}

// Source is where a rule comes from.
type Source struct {
	Document, Section, Edition string
	FromMemory                 bool
}

// Scope is which units a rule is for. What is empty does not restrict.
type Scope struct {
	Kinds         []string
	Jurisdictions []string // `US` covers `US-CA`
	Makers        []string
	Attributes    map[string][]string // each key must have one of the values
	Where         Predicate           // nil does not restrict
}

// Predicate says whether a rule is for a unit while it is at a stay. It is a pure function of the two, safe for concurrent use, and
// bounded in time and memory; what it cannot decide it covers.
type Predicate interface {
	Covers(f *Facts, s *Stay) bool
}

// Intense is a limit beside a rule's own, from when so much was used within so many days since the anchor.
type Intense struct {
	Use        Amount // 0 for none; each that is given counts alone
	Days       int
	Months     int // 0 for none
	MonthStamp bool
	Limit      Amount // 0 for none
}

// Evidence is a longer date limit while the last entry of an activity passed and is not older than Valid months.
type Evidence struct {
	Activity string
	Valid    int // months from the date of the evidence
	Months   int // the date limit meanwhile
}

// Companion is an activity without which a rule's own does not count.
type Companion struct {
	Activity string
	First    bool // it comes first, or in the same entry; otherwise either may come first
	Within   int  // days between the two at most
}

// Storage is what a never used unit counts from, under a rule that counts from first use.
type Storage struct {
	Months    int
	Baselines []Baseline
}

// Weight is a step of a table that weighs running time: from Celsius on an hour counts as Percent hundredths of one.
type Weight struct {
	Celsius int16
	Percent int32
}

// Late is what late work means for the next interval. Late is work after the last day of use, as it was before the work: with the
// evidence and the use of that time. With FromDue the next interval counts from that day, and where whole intervals were missed
// since, from the end of the last of them.
type Late uint8

// The late policies. FromWork is the zero one.
const (
	FromWork Late = iota
	FromDue
	Escalate
)

// Rule is an activity, the units it is for, and how often.
type Rule struct {
	Pack  string // id of the pack
	ID    string // id within the pack
	Title string

	Activity    string
	Authority   Authority
	Source      Source
	Scope       Scope
	Months      int    // 0 for none
	Limit       Amount // 0 for none
	MonthStamp  bool
	LeadDays    int    // 0 for 30
	Lead        Amount // 0 for a tenth of the limit
	Baselines   []Baseline
	SatisfiedBy []string
	Blocks      Use
	EndOfLife   bool
	// HandOutIfFilledBefore lets a unit last filled before its date limit passed be handed out still.
	HandOutIfFilledBefore bool
	Intense               []Intense
	Evidence              Evidence // none without an activity
	Companions            []Companion
	Storage               Storage  // none without months
	PhaseInDays           int      // 0: the rule binds an old fleet at once
	Weights               []Weight // of running time, by rising temperature; none if empty
	Late                  Late
	MarkExpires           bool // a mark names the last day or month for which the work holds
	BenchMinutes          int  // 0 if not known
}

// Proof is what lifts the hold of a condition report.
type Proof struct {
	Conditions []string // empty for all that no other proof names
	ClearedBy  []string
}

// Pack is one revision of a rule pack. Of several revisions of one ID the one in force on a day is that with the latest
// Effective on or before it; of equal ones the highest Revision.
type Pack struct {
	ID        string
	Revision  int64
	Effective civil.Date
	Published time.Time // an as-known question ignores revisions published later
	Cautions  []string
	Rules     []Rule
	Proofs    []Proof
}

// ManualHold is a hold that a person placed.
type ManualHold struct {
	ID         string
	Unit       uuid.UUID
	Reason     string
	Blocks     Use
	Placed     time.Time // also when it was recorded
	Placer     string
	Lifted     time.Time // zero while open
	Lifter     string
	LiftReason string
}

// Waiver excuses a unit from a rule's limits from one day to another, both included, at the unit's shop. It is ignored for rules of law and
// ends of life.
type Waiver struct {
	ID         string
	Unit       uuid.UUID
	Pack, Rule string
	From, To   civil.Date
	Granted    time.Time // also when it was recorded
	Revoked    time.Time // zero while it stands
	Signer     string    // who signs for it, as people know them
	Reason     string

	Granter      string // who recorded it
	Revoker      string
	RevokeReason string
}

// Input is everything a derivation depends on: the unit, the parts and hosts it is or was fitted with, and what
// happened to them. The order of the slices does not matter.
type Input struct {
	Unit    uuid.UUID
	Units   []Facts
	Entries []Entry
	// Histories is more of what happened, of any units, each at most once: several inputs may have one in common.
	Histories []History
	Fittings  []Fitting
	Packs     []Pack
	Holds     []ManualHold
	Waivers   []Waiver
	Recalls   []Recall
	Releases  []Release
}
