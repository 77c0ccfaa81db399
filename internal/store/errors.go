package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"strings"

	"basecourse/internal/fault"

	"github.com/jackc/pgx/v5/pgconn"
)

// ErrUnknownOutcome lies beneath a Busy refusal when the connection broke while
// COMMIT was under way: the record may be stored or not. Sending it again with
// the same id settles it.
var ErrUnknownOutcome = errors.New("the connection broke during commit; sending the record again settles it")

func sqlState(err error) string {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		return pg.Code
	}
	return ""
}

func isUndefinedTable(err error) bool { return sqlState(err) == "42P01" }

func isUniqueViolation(err error) bool { return sqlState(err) == "23505" }

// broken tells whether the connection to the database failed, so that nothing
// is known about what it was doing.
func broken(err error) bool {
	if err == nil {
		return false
	}
	var network net.Error
	var connect *pgconn.ConnectError
	switch code := sqlState(err); {
	case strings.HasPrefix(code, "08"), strings.HasPrefix(code, "57P"):
		return true
	case code != "":
		return false
	}
	return errors.As(err, &network) || errors.As(err, &connect) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, io.EOF) ||
		errors.Is(err, net.ErrClosed) || strings.Contains(err.Error(), "conn closed") || strings.Contains(err.Error(), "closed pool")
}

// wrap names the function an error comes from and turns what will pass by
// itself (a database that is away, locked, full or slow) into a Busy refusal.
// Refusals pass unchanged.
func wrap(name string, err error) error {
	if err == nil {
		return nil
	}
	var refusal *fault.Error
	if errors.As(err, &refusal) {
		return err
	}
	code := sqlState(err)
	switch {
	case code == diskFull:
		return fault.Wrap(fault.Busy, fmt.Errorf("%s: %w", name, err), wordsFull)
	case code == "55P03", code == "57014", code == "40001", code == "40P01", code == "25P03", strings.HasPrefix(code, "53"):
		return fault.Wrap(fault.Busy, fmt.Errorf("%s: %w", name, err), "the database is busy: try again shortly")
	case broken(err):
		return fault.Wrap(fault.Busy, fmt.Errorf("%s: %w", name, err), "the database does not answer: try again shortly")
	case errors.Is(err, context.DeadlineExceeded):
		return fault.Wrap(fault.Busy, fmt.Errorf("%s: %w", name, err), "the database took too long: try again shortly")
	}
	return fmt.Errorf("%s: %w", name, err)
}
