package main

import (
	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	typepb "strandline.example/strandline/proto/strandline/type/v1"
)

// told ends a command that changed something: it remembers the position, and prints the resource or a sentence.
func (a *app) told(c *clients, at *typepb.Position, dryRun bool, resource proto.Message, format string, args ...any) error {
	if !dryRun {
		c.wrote(at)
	}
	if a.json() {
		return a.printJSON(resource)
	}
	if dryRun {
		a.talkf("Dry run: everything is in order, nothing was written. Without --dry-run:")
	}
	a.printf(format+"\n", args...)
	return nil
}

// newID returns a fresh UUID, in the order of time.
func newID() string { return uuid.Must(uuid.NewV7()).String() }
