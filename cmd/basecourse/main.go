// Command basecourse is the whole program: server, demo, and the commands of a
// farm's crew and its scripts.
//
// main only gathers what a process has (arguments, environment, streams,
// signals) and hands it to run, which tests start as well. Data goes to
// standard output, talk to standard error. Exit codes: 0 done, 1 refused or
// found wrong, 2 used wrongly.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // the farm's zone must be known in minimal images too
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	// The first Ctrl-C ends in good order; from then on the signals have their
	// usual effect, so a second one ends at once (a private PostgreSQL notices
	// and shuts down by itself).
	context.AfterFunc(ctx, stop)
	os.Exit(run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr, os.Environ()))
}
