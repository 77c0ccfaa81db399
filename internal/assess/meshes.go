package assess

import (
	"context"
	"math"
	"time"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// MostMeshes is how many of a printer's latest meshes are studied.
const MostMeshes = 200

// MeshStudy is what a printer's meshes say together.
type MeshStudy struct {
	Probes  []store.MeshProbe // oldest first
	Records []bed.MeshRecord  // the same
	Profile bed.Profile       // of the printer's latest start
	Drift   bed.Drift
	Horizon bed.Horizon
	Known   bool // there are enough meshes for Drift and Horizon
	Repeats bed.Repeats
	Since   int            // starts after the last probe
	Policy  *upkeep.Policy // about probing, in force for the printer; nil: there is none
}

// PolicyStarts is after how many starts the policy asks for a probe, by starts or by
// the hours that so many of the printer's starts take; 0: it does not go by them.
func (m *MeshStudy) PolicyStarts() float64 {
	if m.Policy == nil {
		return 0
	}
	starts := float64(m.Policy.ProbeStarts)
	if by := m.Policy.ProbeHours / m.Drift.HoursPerStart; m.Policy.ProbeHours > 0 && m.Drift.HoursPerStart > 0 && (starts == 0 || by < starts) {
		starts = by
	}
	return starts
}

// Meshes studies a printer's meshes as of a time.
func Meshes(ctx context.Context, s *store.Store, printer string, at time.Time) (*MeshStudy, error) {
	probes, events, err := s.Meshes(ctx, printer, at, MostMeshes)
	if err != nil {
		return nil, err
	}
	m := &MeshStudy{Probes: probes}
	if m.Profile, err = latestProfile(ctx, s, printer); err != nil {
		return nil, err
	}
	m.Records, m.Since = meshRecords(probes, events)
	m.Repeats = bed.MeshRepeats(m.Records)
	if m.Drift, m.Known = bed.MeshDrift(m.Records); m.Known {
		b := m.Profile.Band()
		m.Horizon = m.Drift.Horizon(b.LowMM, b.HighMM, b.MiddleMM())
	}
	return m, nil
}

func latestProfile(ctx context.Context, s *store.Store, printer string) (bed.Profile, error) {
	h, w, p, err := s.LatestProfile(ctx, printer)
	if err != nil {
		return bed.Profile{}, err
	}
	if !farm.Known(h) {
		h = farm.DefaultLayerHeightMM
	}
	if !farm.Known(w) {
		w = farm.DefaultLineWidthMM
	}
	profile, err := bed.NewProfile(h, w, p, math.NaN())
	if err != nil {
		// A start that says the impossible tells nothing of the next one.
		return bed.NewProfile(farm.DefaultLayerHeightMM, farm.DefaultLineWidthMM, math.NaN(), math.NaN())
	}
	return profile, nil
}

// ProbeMesh is a probe's mesh as a grid on the bed.
func ProbeMesh(p *store.MeshProbe) bed.Mesh {
	m := bed.Mesh{Columns: p.Columns, Rows: p.Rows, HeightsMM: p.HeightsMM}
	if p.XMinMM != nil && p.XMaxMM != nil && p.YMinMM != nil && p.YMaxMM != nil && p.Columns > 1 && p.Rows > 1 && *p.XMaxMM > *p.XMinMM && *p.YMaxMM > *p.YMinMM {
		m.XMM, m.YMM = evenly(*p.XMinMM, *p.XMaxMM, p.Columns), evenly(*p.YMinMM, *p.YMaxMM, p.Rows)
	}
	return m
}

func evenly(from, to float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return out
}

// meshRecords counts what had happened to the printer by each probe. A plate
// other than the one before it, or the same on another side or the other way
// round, counts as swapped once, whoever says so first: the fitting, the start or
// the probe. Unstated equals anything.
func meshRecords(probes []store.MeshProbe, events []store.MeshEvent) (out []bed.MeshRecord, since int) {
	var plate, side, turned string
	var count bed.MeshRecord
	differs := func(a, b string) bool { return a != "" && b != "" && a != b }
	see := func(p, s, t string) {
		if differs(plate, p) || p == plate && (differs(side, s) || differs(turned, t)) {
			count.Swaps++
			side, turned = "", ""
		}
		if p != "" {
			plate = p
		}
		if s != "" {
			side = s
		}
		if t != "" {
			turned = t
		}
	}
	k := 0
	for i := range probes {
		p := &probes[i]
		for ; k < len(events) && events[k].At.Before(p.At); k++ {
			switch e := &events[k]; e.Kind {
			case "service":
				count.Services++
			case "first_layer":
				count.Starts++
				see(e.Plate, e.Side, e.Turned)
			default:
				see(e.Plate, e.Side, e.Turned)
			}
		}
		see(p.Plate, p.Side, p.Turned)
		record := count
		record.Mesh, record.Hours = ProbeMesh(p), p.At.Sub(probes[0].At).Hours()
		out = append(out, record)
	}
	for ; k < len(events); k++ {
		if events[k].Kind == "first_layer" {
			since++
		}
	}
	return out, since
}
