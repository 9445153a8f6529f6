// Package registry decides what exists: orgs, shops, models, units, the fittings between units, and technicians.
//
// It holds the types, the rules and the use cases; it knows no gRPC and no SQL. Its invariants:
//
//   - an asset tag is carried by at most one living unit of an org; a retired unit gives its tag back;
//   - a unit is at one shop at any instant, and its placements have no gaps: the first is open to the past;
//   - a part is fitted to at most one host at any instant, never to itself through others, and while it is fitted both
//     are at the same shop;
//   - a retired unit is fitted nowhere, carries nothing and takes no change.
//
// Each use case runs in one transaction of the org ([Store.Write]) that holds the org's head row, so that writes of one org
// are serial and a rule that was checked still holds when the row is written; the database's constraints stand behind it.
// Every change is recorded in the org's log with a number, without gaps: the feed that the other services follow.
package registry
