package assess

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/firstlayer"
	"basecourse/internal/store"
)

// BecameWindow is how far back what became of layers is counted.
const BecameWindow = 52 * 7 * 24 * time.Hour

const (
	heldQuick   = 10 * time.Millisecond // counting that takes no longer is done after every write
	heldFor     = time.Minute           // else what was counted is good for so long
	besideAwait = 300 * time.Millisecond
)

// heldKeep keeps what became of layers.
type heldKeep struct {
	mu      sync.Mutex
	held    []firstlayer.Held
	at      time.Time
	done    time.Time
	took    time.Duration
	version store.DataVersion
	there   bool
}

// Farm is what a farm has set for diagnoses, and what became of its layers of the
// last year with each mark. Zero seen is read here.
func (a *Assessor) Farm(ctx context.Context, now time.Time, settings farm.SettingValues, seen store.DataVersion) (firstlayer.Farm, error) {
	if seen.IsZero() {
		var err error
		if seen, err = a.store.DataVersion(ctx); err != nil {
			return firstlayer.Farm{}, err
		}
	}
	k := &a.held
	k.mu.Lock()
	defer k.mu.Unlock()
	same := k.version == seen || k.took > heldQuick && time.Since(k.done) < heldFor
	if !k.there || !same || now.Before(k.at) || now.Sub(k.at) > time.Hour {
		begun := time.Now()
		by, _, _, err := a.store.Became(ctx, now.Add(-BecameWindow), now)
		if err != nil {
			return firstlayer.Farm{}, err
		}
		k.held, k.at, k.version, k.there = heldOf(by), now, seen, true
		k.done, k.took = time.Now(), time.Since(begun)
	}
	return firstlayer.FarmOf(settings, k.held), nil
}

// heldOf lists counts for the diagnosis, in the order of farm.Marks.
func heldOf(by findings.HeldByMark) (out []firstlayer.Held) {
	for _, mark := range farm.Marks {
		for i, h := range by[mark] {
			x := firstlayer.Held{Mark: mark, Severity: uint8(i + 1), Held: h.RanHeld, Lost: h.RanLost, NudgedHeld: h.NudgedHeld, NudgedLost: h.NudgedLost}
			if x.Held+x.Lost+x.NudgedHeld+x.NudgedLost > 0 {
				out = append(out, x)
			}
		}
	}
	return out
}

// beside adds what the height book says of printer and plate, where the layer is
// the printer's latest (its zero may have been set anew since), and how the mesh
// leans that was the latest when it was started.
func (a *Assessor) beside(ctx context.Context, c *firstlayer.Case, around *store.LayerAround, seen store.DataVersion, now time.Time) error {
	f := &c.Layer
	if !slices.ContainsFunc(f.Marks, func(m farm.Mark) bool { return m.Mark == "nozzle_low" || m.Mark == "nozzle_high" }) && len(f.Readings) == 0 {
		return nil
	}
	probes, _, err := a.store.Meshes(ctx, f.Printer, f.StartedAt, 1)
	if err != nil {
		return err
	}
	if len(probes) > 0 {
		shape := ProbeMesh(&probes[0]).Shape()
		c.Context.MeshTiltXMMPerM, c.Context.MeshTiltYMMPerM = shape.TiltXMMPerM, shape.TiltYMMPerM
	}
	if f.Plate == "" || around.LastStart.After(f.StartedAt) {
		return nil
	}
	wait, cancel := context.WithTimeout(ctx, besideAwait)
	defer cancel()
	book, err := a.Heights(wait, now, seen)
	if errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil {
		return nil // the advice does without it
	}
	if err != nil {
		return err
	}
	fromBook(c, book, around.PlateBefore, around.SideBefore)
	return nil
}

// fromBook takes what the height book says of a layer's printer and plate; before
// is the plate that lay there before.
func fromBook(c *firstlayer.Case, book *HeightBook, before, beforeSide string) {
	f := &c.Layer
	move, why := book.Expect(f.Printer, f.Plate, f.PlateSide)
	if why != "" {
		return
	}
	c.Context.PairMove = firstlayer.Interval{MM: move.MM, LowMM: move.LowMM, HighMM: move.HighMM}
	if before != "" && before != f.Plate {
		if d, ok := book.Differ(f.Plate, f.PlateSide, before, beforeSide); ok {
			c.Context.Thicker, c.Context.ThickerThan = firstlayer.Interval{MM: d.MM, LowMM: d.LowMM, HighMM: d.HighMM}, before
			return
		}
	}
	for _, s := range book.Sides(f.Plate) {
		if s.Side == sideByte(f.PlateSide) && !s.Alone {
			c.Context.Thicker = firstlayer.Interval{MM: s.MM, LowMM: s.LowMM, HighMM: s.HighMM}
		}
	}
}
