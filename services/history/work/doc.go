// Package work writes service orders into the ledger: what is opened, worked on, signed and closed, and what follows from it.
//
// It puts together what others decide. Package order says what the events of an order come to and whether it can be signed, package bench what readings come to,
// package procedure how the work is done, and package history what the ledger takes. Here stands which entries follow:
//
//   - every event is an entry of the unit, under the client's id;
//   - a test that fails or reaches no verdict is also a test entry, so that the unit is pulled from the moment the call answers;
//   - a test that passes is one only if every test of its activity that was made in the order has passed by then, and the procedure does not perform that activity: such
//     a pass, on which intervals run, comes with the signature;
//   - the rejection of a station is a test entry of the station's;
//   - a signature writes what was performed: the shop's activities as a service, a station's as its own, a calibration with what the instrument is good for;
//   - a failed test that arrives when a later pass of its activity stands already, by another test or by the signature, holds the unit by a condition of its own.
package work
