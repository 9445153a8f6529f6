// Package procedure holds how gear is worked on: ordered steps with what each takes out, puts in and measures, and the tests that end the work. Procedures are data, YAML files in
// the shape of strandline.history.v1.Procedure; the package reads such files, tells what is wrong with them, and holds those that are shipped: every YAML
// file beside it, none of them any maker's.
//
// A procedure is no instruction to work by: each says that local code and the maker's manual win, and one that does not say it is refused.
// It is pure: it reads bytes that it is given, and decides nothing about orders.
package procedure
