//go:build long

package store_test

const killRounds = 12

// logRows is how long a log is.
const logRows = 10_000
