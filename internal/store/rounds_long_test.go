//go:build long

package store_test

const killRounds = 12

// logRows is how long a log is.
const logRows = 10_000

// manyFills is how many records an import fills that is undone.
const manyFills = 10_000
