//go:build !long

package store_test

// killRounds is how often a process is killed; -tags long does more.
const killRounds = 3

// logRows is how long a log is.
const logRows = 2_000

// manyFills is how many records an import fills that is undone.
const manyFills = 100
