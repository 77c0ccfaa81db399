// Command opendb opens the cluster that a failed test left behind, until
// Ctrl-C:
//
//	go run basecourse/internal/testdb/opendb FOLDER [DATABASE]
package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"

	"basecourse/internal/localdb"
)

func main() {
	if err := run(os.Args[1:]); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func run(args []string) error {
	if len(args) != 1 && len(args) != 2 {
		return fmt.Errorf("used wrongly: found %d arguments, expected FOLDER [DATABASE]", len(args))
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	c, err := localdb.Open(ctx, localdb.Options{
		Dir: args[0], BinDir: os.Getenv("BASECOURSE_POSTGRES_BIN"), Fast: true, NoFetch: true,
	})
	if err != nil {
		return err
	}
	database := "postgres"
	if len(args) == 2 {
		database = args[1]
	}
	fmt.Printf("psql '%s'\n", c.URL(database))
	fmt.Fprintln(os.Stderr, "Ctrl-C ends it.")
	<-ctx.Done()
	return c.Close(context.Background())
}
