// Package compliance decides what compliance keeps of registry and history, and how it stays right.
//
// It owns the projection (what is known of shops, models, units, fittings and entries, and the clocks and holds derived
// from them), the rule packs, and the holds that people place. What is due and what a unit may be used for is decided by
// the package due; this one decides which units a change touches, when the stored rows of a unit hold for an instant
// (Settled), and how a page of a feed becomes rows: once, in one transaction with the cursor.
//
// The projection can be thrown away and built again from the feeds. It knows neither gRPC nor SQL.
package compliance
