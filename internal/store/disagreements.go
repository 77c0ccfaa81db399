package store

import (
	"context"
	"time"

	"basecourse/internal/farm"
)

// Disagreements lists the disagreements in force at a time, of all findings,
// the latest first.
func (s *Store) Disagreements(ctx context.Context, at time.Time) ([]*farm.Disagreement, error) {
	return s.disagreements(ctx, "store.Disagreements", ` WHERE t.at <= $1 AND t.voided_at IS NULL ORDER BY t.at DESC, t.id DESC`, at)
}

// DisagreementsWith lists what was said against one finding, withdrawn ones
// too, the latest first. A subject nobody knows has none.
func (s *Store) DisagreementsWith(ctx context.Context, kind, subject, cause string) ([]*farm.Disagreement, error) {
	column := "printer"
	if kind == "plate" {
		column = "plate"
	}
	return s.disagreements(ctx, "store.DisagreementsWith", ` WHERE t.`+column+` = (SELECT id FROM `+column+`s WHERE `+column+` = $1)
		AND t.cause::text = $2 ORDER BY t.at DESC, t.id DESC`, subject, cause)
}

func (s *Store) disagreements(ctx context.Context, name, rest string, args ...any) ([]*farm.Disagreement, error) {
	return takeAs[farm.Disagreement](ctx, s, name, farm.KindDisagreement, rest, args...)
}
