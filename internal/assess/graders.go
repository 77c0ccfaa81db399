package assess

import (
	"context"
	"math"
	"time"

	"basecourse/internal/store"
)

// Grader is how strict somebody is as the fit of the last midnight sees it: the log-odds
// of calling a layer failed beside the others', printers, plates, materials, hours and
// days taken into account, shrunken, with its 95 % interval. Findings are adjusted by it.
type Grader struct {
	Person         int32 // the database's number
	Graded, Failed int   // in the fit's window
	At, Low, High  float64
}

// Graders gives those who graded in the window, as of the latest answer for pages.
func (a *Assessor) Graders(ctx context.Context, now time.Time) ([]Grader, error) {
	v, _, err := a.pageView(ctx, now, store.DataVersion{})
	if err != nil {
		return nil, err
	}
	var out []Grader
	for i, g := range v.fit.graders {
		if g.Graded == 0 || i >= len(v.graders) {
			continue
		}
		half := 1.96 * math.Sqrt(g.Var)
		out = append(out, Grader{v.graders[i], g.Graded, g.Failed, g.At, g.At - half, g.At + half})
	}
	return out, nil
}
