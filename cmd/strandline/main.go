// Command strandline keeps rental dive gear safe to hand out: it runs the services, and it is the command line of the
// people who use them.
//
// The package decides nothing about gear. It reads settings (flags, then environment, then a file), wires the services
// of this repository together, speaks to them through their public gRPC API, and prints what they answer: data to standard
// output, talk to standard error, and an exit code that says how it ended.
package main

import (
	"context"
	"os"
	_ "time/tzdata" // shops have time zones, and a bare machine has no database of them
)

func main() {
	os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr, os.Environ()))
}
