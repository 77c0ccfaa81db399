package store

import (
	"context"
	"time"

	"github.com/gofrs/uuid/v5"
)

// TwoPlaces is a plate that two records put on two printers: it was fitted on one and not
// taken off, and later a first layer on another names it.
type TwoPlaces struct {
	Plate     string
	Fitted    string // the printer of its fitting
	FittedAt  time.Time
	Started   string // the printer whose first layer names it
	StartedAt time.Time
	Layer     uuid.UUID
}

// TwoPlaces lists the plates in service that were put on two printers in the week before
// a time, the latest first, at most limit: those about whose printer nothing later decides (another
// plate on it, a note of where the plate went).
func (s *Store) TwoPlaces(ctx context.Context, at time.Time, limit int) ([]TwoPlaces, error) {
	list, err := indexed[TwoPlaces](ctx, s, `
SELECT l.plate, a.printer AS fitted, t.fitted_at, b.printer AS started, f.started_at, f.id AS layer
FROM plates l
	CROSS JOIN LATERAL (SELECT x.printer, x.fitted_at, x.removed_at FROM fittings x
		WHERE x.plate = l.id AND x.fitted_at <= $1 AND x.voided_at IS NULL ORDER BY x.fitted_at DESC, x.id DESC LIMIT 1) t
	CROSS JOIN LATERAL (SELECT x.id, x.printer, x.started_at FROM first_layers x
		WHERE x.plate = l.id AND x.started_at <= $1 AND x.started_at > $1::timestamptz - interval '7 days' AND x.voided_at IS NULL ORDER BY x.started_at DESC, x.id DESC LIMIT 1) f
	JOIN printers a ON a.id = t.printer
	JOIN printers b ON b.id = f.printer
WHERE (l.retired_at IS NULL OR l.retired_at > $1) AND f.printer <> t.printer AND f.started_at >= t.fitted_at AND t.removed_at IS NULL
	AND NOT EXISTS (SELECT FROM plate_states x WHERE x.plate = l.id AND x.at >= f.started_at AND x.at <= $1 AND x.voided_at IS NULL)
	AND NOT EXISTS (SELECT FROM fittings x WHERE x.printer = t.printer AND x.plate <> l.id AND x.fitted_at > t.fitted_at AND x.fitted_at <= $1 AND x.voided_at IS NULL)
	AND NOT EXISTS (SELECT FROM first_layers x WHERE x.printer = t.printer AND x.plate <> l.id AND x.started_at > t.fitted_at AND x.started_at <= $1 AND x.voided_at IS NULL)
ORDER BY f.started_at DESC, l.plate LIMIT $2`, at, limit)
	return list, wrap("store.TwoPlaces", err)
}
