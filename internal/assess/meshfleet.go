package assess

import (
	"cmp"
	"context"
	"hash/fnv"
	"slices"
	"sync"
	"time"

	"basecourse/internal/bed"
	"basecourse/internal/upkeep"
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
	var tags []string
	for after := ""; ; {
		const page = 200
		printers, err := a.store.Printers(ctx, after, page)
		if err != nil {
			return err
		}
		for _, p := range printers {
			if after = p.Tag; p.RetiredAt.IsZero() || p.RetiredAt.After(now) {
				tags = append(tags, p.Tag)
			}
		}
		if len(printers) < page {
			break
		}
	}
	byLot(tags)
	var drifts []bed.Drift
	of := map[string]bool{}
	for _, tag := range tags {
		if len(drifts) == bed.MostLearned {
			break
		}
		probes, events, err := a.store.Meshes(ctx, tag, now, bed.FleetUntil)
		if err != nil {
			return err
		}
		records, _ := meshRecords(probes, events)
		if d, _ := bed.MeshDrift(records); d.Between >= bed.LeastInFleet {
			drifts, of[tag] = append(drifts, d), true
		}
	}
	fleet := bed.LearnFleet(drifts)
	k.mu.Lock()
	k.fleet, k.of, k.asOf = fleet, of, now
	k.mu.Unlock()
	return nil
}

// byLot puts printers in an order that is always the same and has nothing to do
// with their tags, which often tell a bay, a kind or an age.
func byLot(tags []string) {
	lot := func(tag string) uint64 {
		h := fnv.New64a()
		_, _ = h.Write([]byte(tag))
		return h.Sum64()
	}
	slices.SortFunc(tags, func(x, y string) int { return cmp.Or(cmp.Compare(lot(x), lot(y)), cmp.Compare(x, y)) })
}

// Meshes is the study of a printer's meshes, its horizon with the help of the farm's
// other printers once these have been learned from, and the probing policy in force
// with the plate that lies on it.
func (a *Assessor) Meshes(ctx context.Context, printer string, at time.Time) (*MeshStudy, error) {
	m, err := Meshes(ctx, a.store, printer, at)
	if err != nil {
		return nil, err
	}
	place := upkeep.Place{Printer: printer}
	on, err := a.store.SpotOn(ctx, printer, at)
	if err != nil {
		return nil, err
	}
	if on != nil {
		place.Plate, place.Surface = on.Plate, on.Surface
	}
	standing, err := a.Standing(ctx, at, place)
	if err != nil {
		return nil, err
	}
	m.Policy = standing[2]
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
