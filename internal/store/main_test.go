package store_test

import (
	"flag"
	"time"
)

var update = flag.Bool("update", false, "rewrite golden files")

// clock is a fixed instant after everything in the test bundles.
var clock = time.Date(2026, 7, 1, 12, 0, 0, 0, time.UTC)
