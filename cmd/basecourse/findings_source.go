package main

import (
	"context"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

// newFindings is where pages, API and command get the findings from.
func newFindings(*store.Store) web.Findings { return noFindings{} }

// noFindings refuses: this build computes none.
type noFindings struct{}

var errNoFindings = fault.New(fault.Busy, "this build computes no findings")

// Latest refuses.
func (noFindings) Latest(context.Context, time.Time) (*web.FindingList, error) {
	return nil, errNoFindings
}

// Evidence refuses.
func (noFindings) Evidence(context.Context, string, string, string, time.Time) (*web.Evidence, error) {
	return nil, errNoFindings
}

// Answer refuses.
func (noFindings) Answer(context.Context, time.Time, time.Time, time.Time, time.Time) ([]byte, error) {
	return nil, errNoFindings
}
