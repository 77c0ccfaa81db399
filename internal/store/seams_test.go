package store

// SetLiftAbove changes from which size a first import lifts the indexes, for
// tests; it returns what it was.
func SetLiftAbove(n int64) int64 {
	was := liftAbove
	liftAbove = n
	return was
}

// SQLState gives PostgreSQL's code of an error.
func SQLState(err error) string { return sqlState(err) }
