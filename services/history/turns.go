package history

import (
	"context"
	"sync"

	"github.com/google/uuid"

	"strandline.example/strandline/internal/errs"
)

// turns lets one writer per org of this process at the database. They would queue for the org's head row there too, each holding
// a connection that writers of other orgs could use. The zero turns is ready.
type turns struct {
	mu  sync.Mutex
	org map[uuid.UUID]*turn
}

type turn struct {
	token chan struct{}
	users int
}

// enter waits for the org's turn, until ctx ends. Leave must be called once.
func (t *turns) enter(ctx context.Context, org uuid.UUID) (leave func(), err error) {
	t.mu.Lock()
	if t.org == nil {
		t.org = map[uuid.UUID]*turn{}
	}
	o := t.org[org]
	if o == nil {
		o = &turn{token: make(chan struct{}, 1)}
		t.org[org] = o
	}
	o.users++
	t.mu.Unlock()
	done := func() {
		t.mu.Lock()
		defer t.mu.Unlock()
		if o.users--; o.users == 0 {
			delete(t.org, org)
		}
	}
	select {
	case o.token <- struct{}{}:
		return func() { <-o.token; done() }, nil
	case <-ctx.Done():
		done()
		if ctx.Err() == context.DeadlineExceeded {
			return nil, errs.New(errs.Deadline, "DEADLINE_EXCEEDED", "the deadline passed while other entries of the org were written").Because(ctx.Err())
		}
		return nil, errs.New(errs.Canceled, "CANCELLED", "the caller went away").Because(ctx.Err())
	}
}
