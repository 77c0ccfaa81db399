package main

import (
	"context"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

type pending struct{}

func newFindings(*store.Store) web.Findings { return pending{} }

func (pending) Latest(context.Context, time.Time) (*web.FindingList, error) {
	return nil, fault.New(fault.Busy, "findings are being computed")
}
func (pending) Evidence(context.Context, string, string, string, time.Time) (*web.Evidence, error) {
	return nil, fault.New(fault.Busy, "findings are being computed")
}
func (pending) Answer(context.Context, time.Time, time.Time, time.Time, time.Time) ([]byte, error) {
	return nil, fault.New(fault.Busy, "findings are being computed")
}

type findingsCmd struct{ Format string }

func (findingsCmd) Run(a *app) error { return nil }
