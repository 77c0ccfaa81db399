package assess

import (
	"context"
	"sync"
	"time"

	"basecourse/internal/bed"
)

// fleetKeep keeps what the meshes of the farm's printers say together.
type fleetKeep struct {
	mu    sync.Mutex
	fleet *bed.Fleet // nil: too few printers with meshes
	of    map[string]bool
	asOf  time.Time
}

// fleetAge is for how long a fleet is kept: how printers' meshes grow old changes
// over weeks.
const fleetAge = 12 * time.Hour

// readyFleet learns the fleet anew where the one kept is old.
func (a *Assessor) readyFleet(ctx context.Context, now time.Time) error {
	k := &a.fleet
	k.mu.Lock()
	fresh := !k.asOf.IsZero() && now.Sub(k.asOf) < fleetAge && !now.Before(k.asOf)
	k.mu.Unlock()
	if fresh {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	var drifts []bed.Drift
	of := map[string]bool{}
	for after := ""; ; {
		const page = 200
		printers, err := a.store.Printers(ctx, after, page)
		if err != nil {
			return err
		}
		for _, p := range printers {
			after = p.Tag
			if len(drifts) == bed.MostLearned {
				break
			}
			if !p.RetiredAt.IsZero() && !p.RetiredAt.After(now) {
				continue
			}
			probes, events, err := a.store.Meshes(ctx, p.Tag, now, bed.FleetUntil)
			if err != nil {
				return err
			}
			records, _ := meshRecords(probes, events)
			if d, _ := bed.MeshDrift(records); d.Between >= bed.LeastInFleet {
				drifts, of[p.Tag] = append(drifts, d), true
			}
		}
		if len(printers) < page || len(drifts) == bed.MostLearned {
			break
		}
	}
	fleet := bed.LearnFleet(drifts)
	k.mu.Lock()
	k.fleet, k.of, k.asOf = fleet, of, now
	k.mu.Unlock()
	return nil
}

// Meshes is the study of a printer's meshes, its horizon with the help of the farm's
// other printers once these have been learned from.
func (a *Assessor) Meshes(ctx context.Context, printer string, at time.Time) (*MeshStudy, error) {
	m, err := Meshes(ctx, a.store, printer, at)
	if err != nil {
		return nil, err
	}
	k := &a.fleet
	k.mu.Lock()
	fleet, among := k.fleet, k.of[printer]
	k.mu.Unlock()
	if fleet != nil && m.Drift.Between >= bed.LeastInFleet {
		b := m.Profile.Band()
		m.Horizon, m.Known = fleet.Horizon(&m.Drift, among, b.LowMM, b.HighMM, b.MiddleMM()), true
	}
	return m, nil
}
