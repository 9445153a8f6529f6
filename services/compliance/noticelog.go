package compliance

import (
	"time"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/civil"
	"strandline.example/strandline/services/compliance/due"
	"strandline.example/strandline/services/compliance/notice"
)

// Notice is a notice as it was written.
type Notice struct {
	Number      int64
	Unit        uuid.UUID
	Tag         string
	Kind        string
	Shop        string
	Pack, Rule  string
	Title       string
	From, To    due.State // 0 if the rule does not run
	Blocking    bool
	Effective   time.Time
	EffectiveOn civil.Date
	Noticed     time.Time
	DueOn       civil.Mark
	Sentence    string
}

// NoticeQuery asks for notices by number.
type NoticeQuery struct {
	After int64     // only after this number
	Upto  int64     // only up to and with this number; 0 for all
	Shop  string    // only of this one; empty for all
	By    time.Time // only what had changed by then; zero for all
	Known time.Time // only what had been told by then; zero for all
	Limit int
}

// Digest is a digest and how many notices of each sort it has.
type Digest struct {
	notice.Digest
	Told notice.Told
}

// DigestKey is the place of a digest in a list: the latest first, then by shop.
type DigestKey struct {
	Due  time.Time
	Shop string
	Day  civil.Date
}

// DigestQuery asks for digests.
type DigestQuery struct {
	Shop  string      // only of this one; empty for all
	Day   *civil.Date // only of this day
	After *DigestKey
	Limit int
}

// Told says how a look at an org's clocks went.
type Told struct {
	Notices int  // written
	Digests int  // written
	More    bool // there is more to tell now
	Busy    bool // somebody else is telling; nothing was done
	Behind  bool // the projection is being built again; nothing was done
}
