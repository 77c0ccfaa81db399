package main

import (
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

// asOf are the flags of answers about the farm as of a time.
type asOf struct {
	At      string `placeholder:"TIME" help:"What had happened by then (RFC 3339 with offset; default now)."`
	KnownAt string `placeholder:"TIME" help:"Leave out what arrived later, voidings too."`
	From    string `placeholder:"TIME" help:"Start of the window, itself left out (default 84 days before its end)."`
	To      string `placeholder:"TIME" help:"End of the window, itself in it (default: the latest start)."`
}

// moments are the flags as times; zero is not given.
type moments struct{ at, knownAt, from, to time.Time }

// read parses the flags. at is now where it is not given.
func (f asOf) read(now time.Time) (moments, error) {
	m := moments{at: now}
	for _, flag := range []struct {
		name, value string
		to          *time.Time
	}{{"--at", f.At, &m.at}, {"--known-at", f.KnownAt, &m.knownAt}, {"--from", f.From, &m.from}, {"--to", f.To, &m.to}} {
		if flag.value == "" {
			continue
		}
		t, ok := intake.ParseTime(flag.value)
		if !ok {
			return m, fault.Misused("%s: found %s, expected a time with offset such as 2026-03-02T06:00:00Z", flag.name, fault.Quote(flag.value))
		}
		*flag.to = t
	}
	if !m.from.IsZero() && !m.to.IsZero() && !m.from.Before(m.to) {
		return m, fault.Misused("--from %s is not before --to %s", f.From, f.To)
	}
	return m, nil
}
