package auth

import (
	"crypto/sha256"
	"sync"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"strandline.example/strandline/internal/tenant"
)

// proven remembers tokens that were verified, by their digests, so that the signature of one that comes with every call is not checked anew each
// time. What it remembers of a token holds well inside the time for which the token does; about its edges, and before and after, it knows nothing,
// and the token is verified whole. Tokens that were refused are not remembered.
type proven struct {
	mu  sync.RWMutex
	all map[[sha256.Size]byte]proof
}

// proof is whose a token is, and when nothing about it needs to be looked at again.
type proof struct {
	caller      tenant.Caller
	from, until time.Time
}

// mostProven bounds what is remembered; it is forgotten when full, which costs some verifying and nothing else.
const mostProven = 4096

// edge is how far from the edges of its time a token is verified whole: more than instants in tokens are rounded by.
const edge = 2 * time.Second

func (p *proven) get(digest [sha256.Size]byte, now time.Time) (tenant.Caller, bool) {
	p.mu.RLock()
	defer p.mu.RUnlock()
	f, ok := p.all[digest]
	return f.caller, ok && now.After(f.from) && now.Before(f.until)
}

func (p *proven) put(digest [sha256.Size]byte, claims jwt.MapClaims, c tenant.Caller) {
	f := proof{caller: c}
	expires, err := claims.GetExpirationTime()
	if err != nil || expires == nil {
		return
	}
	f.until = expires.Add(-edge)
	for _, get := range []func() (*jwt.NumericDate, error){claims.GetIssuedAt, claims.GetNotBefore} {
		at, err := get()
		if err != nil {
			return
		}
		if at != nil && at.Add(edge).After(f.from) {
			f.from = at.Add(edge)
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.all == nil || len(p.all) >= mostProven {
		p.all = map[[sha256.Size]byte]proof{}
	}
	p.all[digest] = f
}
