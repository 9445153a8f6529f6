// Package history decides what the ledger of an org takes and what it says: entries of what happened to units, in the order
// in which they were recorded, each bound to the one before by its digest.
//
// The ledger is append-only. Nothing here changes or removes an entry, and the database role of the service cannot: a mistake is
// corrected by an amendment, and both stay visible. What holds of every org's ledger:
//
//   - sequences run from 1 without gaps, and the instants of recording never run backwards;
//   - an entry's id is the client's: the same id with the same content is the same entry, however often it is sent, and with other
//     content it is refused;
//   - an entry lies neither before its unit was commissioned nor in the future, and usage not after the unit was retired;
//   - a condemning entry is never amended;
//   - the digest of an entry covers everything the ledger keeps of it, and the digest before (chain.go says exactly how).
//
// What exists is the registry's to say. It is asked for every batch, never remembered: if it cannot be asked, nothing is written.
package history
