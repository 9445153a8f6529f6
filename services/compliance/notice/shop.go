package notice

import (
	"time"

	"strandline.example/strandline/internal/civil"
)

// Shop is how far a shop's digests are. The day is first closed, at its end, which keeps the counts; and told the next morning.
type Shop struct {
	ID       string
	Zone     *time.Location
	Day      civil.Date // the day that the next digest is of
	Closed   bool       // it has ended
	AtClose  Counts     // when it ended
	Upto     int64      // the last notice, of any shop, that was there at the digest before
	Standing Counts     // now
}

// Counts counts the clocks of a shop.
type Counts struct {
	Blocking int64 // that block
	DueSoon  int64
}

func (c *Counts) add(s Standing, n int64) {
	if s.Blocking {
		c.Blocking += n
	}
	if s.State == dueSoon {
		c.DueSoon += n
	}
}

// Next returns when something is next to be done for the shop.
func (s *Shop) Next() time.Time {
	if s.Closed {
		return DigestTime(s.Day, s.Zone)
	}
	return (s.Day + 1).Start(s.Zone).UTC()
}

// Digest is what a shop's notices since the digest before come to.
type Digest struct {
	Shop   string
	Day    civil.Date
	At     time.Time // 06:00 of the day after, at the shop
	After  int64     // its notices are those of the shop after this number
	Upto   int64     // up to and with this one
	Counts           // when the day ended
}
