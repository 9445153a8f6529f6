// Package wire turns tests, readings and judgements of strandline.history.v1 into those of package bench, and back, and reads them from files. It
// decides nothing.
package wire
