package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"
)

// withGoRun ends the context when `go run`, which started this process, ends.
// It does not pass signals on: killed, it would leave a server behind that
// nobody sees.
func withGoRun(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := context.WithCancel(ctx)
	parent := os.Getppid()
	exe, err := os.Readlink(fmt.Sprintf("/proc/%d/exe", parent))
	if err != nil || filepath.Base(exe) != "go" {
		return ctx, cancel
	}
	go func() {
		for ctx.Err() == nil {
			if os.Getppid() != parent {
				cancel()
			}
			select {
			case <-ctx.Done():
			case <-time.After(300 * time.Millisecond):
			}
		}
	}()
	return ctx, cancel
}
