package history

import "time"

// ProcedureKey names a revision of a procedure of an org.
type ProcedureKey struct {
	ID       string
	Revision int // 0 where the last is meant
}

// ProcedureRevision is a revision of a procedure as an org published it. It does not change.
type ProcedureRevision struct {
	ProcedureKey
	Source   string // the text of the one document that states it
	Recorder string // who published it
	Created  time.Time
}
