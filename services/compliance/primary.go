package compliance

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// OwnChange is a line of compliance's own log, whose number is the third of a position's.
type OwnChange struct {
	At      time.Time
	Kind    string // what was done: hold-placed, hold-lifted, pack-published, waiver-granted, waiver-revoked, recall-opened, recall-closed, recall-withdrawn, recall-released, transfer-time-set
	Subject string // what it was done to
	Actor   string // the token's subject
}

// The kinds of own changes.
const (
	HoldPlaced    = "hold-placed"
	HoldLifted    = "hold-lifted"
	PackPublished = "pack-published"
	WaiverGranted = "waiver-granted"
	WaiverRevoked = "waiver-revoked"

	RecallOpened    = "recall-opened"
	RecallClosed    = "recall-closed"
	RecallWithdrew  = "recall-withdrawn"
	RecallUnitFreed = "recall-released"
)

// PackRevision is one published revision of a rule pack.
type PackRevision struct {
	ID        string
	Revision  int64
	Effective civil.Date
	Published time.Time
	Body      []byte // the pack as published, without what the service fills in
}
