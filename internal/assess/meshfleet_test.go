package assess_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"basecourse/internal/assess"
)

// Nine meshes are too few for a printer alone; with four others like it they tell,
// once the farm has been learned from in the background.
func TestFewMeshesLeanOnTheFarm(t *testing.T) {
	s := open(t)
	now := time.Date(2026, 6, 20, 12, 0, 0, 0, time.UTC)
	s.SetClock(func() time.Time { return now })
	r := rand.New(rand.NewPCG(3, 4))
	var printers, probes, layers strings.Builder
	printers.WriteString("printer,bed_x_mm,bed_y_mm\n")
	probes.WriteString("probe,printer,probed_at,x_min_mm,x_max_mm,y_min_mm,y_max_mm,columns,rows,heights_mm\n")
	layers.WriteString("first_layer,printer,started_at\n")
	for p := range 6 {
		fmt.Fprintf(&printers, "P-%d,220,220\n", p+1)
		at, zero, lean := now.AddDate(0, 0, -12), 0.0, 0.0
		meshes := 9
		if p == 5 {
			meshes = 2
		}
		for m := range meshes {
			heights := make([]string, 9)
			for i := range heights {
				heights[i] = fmt.Sprintf("%.4f", zero+lean*float64(i%3-1)+0.002*r.NormFloat64())
			}
			fmt.Fprintf(&probes, "B-%d-%d,P-%d,%s,10,210,10,210,3,3,%s\n", p, m, p+1, at.Format(time.RFC3339), strings.Join(heights, " "))
			for k := range 3 + r.IntN(4) {
				fmt.Fprintf(&layers, "F-%d-%d-%d,P-%d,%s\n", p, m, k, p+1, at.Add(time.Duration(k+1)*time.Hour).Format(time.RFC3339))
				zero, lean = zero+0.004*r.NormFloat64(), lean+0.002*r.NormFloat64()
			}
			at = at.Add(24 * time.Hour)
		}
	}
	bundle{"printers.csv": printers.String(), "plates.csv": "plate,surface\nL-1,glass\n", "probes.csv": probes.String(), "first_layers.csv": layers.String()}.into(t, s)
	a := assess.New(s)
	study := func(tag string) *assess.MeshStudy {
		m, err := a.Meshes(context.Background(), tag, now)
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	if m := study("P-1"); m.Known || m.Drift.Between != 8 {
		t.Errorf("alone: known %v from %d pairs", m.Known, m.Drift.Between)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan bool)
	go func() { a.Run(ctx); close(ended) }()
	defer func() { cancel(); <-ended }()
	for until := time.Now().Add(time.Minute); !study("P-1").Known; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatal("the farm is not learned from")
		}
	}
	m := study("P-1")
	if h := m.Horizon; h.Fleet != 5 || h.Low <= 0 || h.Starts < h.Low || h.High < h.Starts || h.High > 2000 {
		t.Errorf("with the farm %+v", h)
	}
	if m := study("P-6"); m.Known {
		t.Errorf("two meshes tell %+v", m.Horizon)
	}
}
