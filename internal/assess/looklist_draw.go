package assess

import (
	"context"
	"math"
	"time"

	"basecourse/internal/sampling"
	"basecourse/internal/store"
)

// drawnAtOnce is how many starts are drawn for in one go: a farm that has just begun
// to use the list has all its running ones to draw for.
const drawnAtOnce = 200

// DrawLooks draws at a time for the running starts that nobody has graded and that were not drawn
// for, where the farm looks at some only: each by its own chance, from the forecast
// risks that are kept. It tells for how many; where all are looked at, none. Any number
// of servers may do it.
func (a *Assessor) DrawLooks(ctx context.Context, now time.Time) (n int, err error) {
	frame, err := a.store.Frame(ctx, now)
	if err != nil {
		return 0, err
	}
	share := frame.Settings.Number("look_share") / 100
	if share >= 1 {
		return 0, nil
	}
	running, err := a.store.RunningLayers(ctx, now)
	if err != nil {
		return 0, err
	}
	var open []store.RunningLayer
	for _, x := range running {
		if x.Drawn == "" && len(open) < drawnAtOnce {
			open = append(open, x)
		}
	}
	if len(open) == 0 {
		return 0, nil
	}
	secret, err := a.madeSecret(ctx)
	if err != nil {
		return 0, err
	}
	found, err := a.Latest(ctx, now, frame.Version)
	if err != nil {
		return 0, err
	}
	type start struct{ printer, material string }
	risks := map[start]float64{}
	var next []float64 // one a printer: with the material it ran last
	for i := range found.Risks {
		r := &found.Risks[i]
		risks[start{r.Printer, r.Material}] = r.Now.P
		if r.Last {
			risks[start{printer: r.Printer}] = r.Now.P
			next = append(next, r.Now.P)
		}
	}
	design := sampling.Plan(share, next)
	for i := range open {
		x := &open[i]
		risk, known := risks[start{x.Printer, x.Material}]
		if !known {
			if risk, known = risks[start{printer: x.Printer}]; !known {
				risk = math.NaN()
			}
		}
		chance, why := design.Draw(sampling.Number(secret, x.ID), risk)
		if err := a.store.DrawLook(ctx, x, chance, string(why)); err != nil {
			return n, err
		}
		n++
	}
	return n, nil
}
