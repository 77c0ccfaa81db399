//go:build long

package store_test

const killRounds = 12
