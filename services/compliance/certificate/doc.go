// Package certificate writes the certificate of a signed service order from what history, registry and compliance say of it.
//
// It is pure: messages in, a message out. It decides nothing that they have decided; what it adds is which of several times counts, what a measured quantity is held
// against, and what has to stand beside a signature so that it is not read for more than it says. Nothing that was recorded is left out because it was done better later:
// a test that failed first stays, and what was withdrawn is named as withdrawn.
package certificate
