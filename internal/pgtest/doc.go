// Package pgtest gives tests a real PostgreSQL: one server and one migrated template database per test binary, one clone
// of it per test.
//
// A package of tests calls [Main] from TestMain and [New] in each test, which may be parallel:
//
//	func TestMain(m *testing.M) { pgtest.Main(m, registrypg.Schema) }
//
//	func TestStore(t *testing.T) {
//		t.Parallel()
//		db := pgtest.New(t).Open(t, registrypg.Schema)
//		...
//	}
//
// What takes long to make and many tests start from is made once, with [Fill].
//
// The server is a private one without fsync, in memory if there is room and TMPDIR does not say otherwise, unless
// STRANDLINE_DSN points at another: then databases with names of our
// own are made there and dropped. Roles belong to the cluster and stay. Without server binaries and without
// STRANDLINE_DSN the tests fail and say what to do; nothing is skipped.
package pgtest
