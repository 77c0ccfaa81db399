package exposure

import (
	"bytes"
	"sort"
)

// slowOf answers each question for each start by looking through the whole
// history again: the definition's sentences in its order, no state carried.

// happening is one record in the order in which records count.
type happening struct {
	at    int64
	rank  int // service, fitting, cleaning, skip and probe, start
	id    [16]byte
	given int
	any   any
}

func slowOf(h *History) []Exposure {
	at := slowInstants(h)
	var all []happening
	for i := range h.Services {
		all = append(all, happening{h.Services[i].At, 1, [16]byte{}, i, &h.Services[i]})
	}
	for i := range h.Fittings {
		all = append(all, happening{h.Fittings[i].At, 3, [16]byte{}, i, &h.Fittings[i]})
	}
	for i := range h.Cleanings {
		all = append(all, happening{h.Cleanings[i].At, 4, [16]byte{}, i, &h.Cleanings[i]})
	}
	for i := range h.Skips {
		all = append(all, happening{h.Skips[i].At, 5, [16]byte{}, i, &h.Skips[i]})
	}
	for i := range h.Probes {
		if h.Probes[i].Ends {
			all = append(all, happening{h.Probes[i].At, 6, h.Probes[i].ID, i, &h.Probes[i]})
		}
	}
	for i := range h.Starts {
		all = append(all, happening{at[i], 7, h.Starts[i].ID, i, &h.Starts[i]})
	}
	sort.SliceStable(all, func(a, b int) bool {
		x, y := all[a], all[b]
		if x.at != y.at {
			return x.at < y.at
		}
		if x.rank != y.rank {
			return x.rank < y.rank
		}
		if c := bytes.Compare(x.id[:], y.id[:]); c != 0 {
			return c < 0
		}
		return x.given < y.given
	})

	// A start that says it was probed, with no probe record since the previous
	// start of the printer, gets a probe of its own at its place.
	var full []happening
	for k, e := range all {
		if s, ok := e.any.(*Start); ok && s.Probed == Yes {
			record := false
			for b := k - 1; b >= 0; b-- {
				if o, ok := all[b].any.(*Start); ok && o.Printer == s.Printer {
					break
				}
				if p, ok := all[b].any.(*Probe); ok && p.Printer == s.Printer {
					record = true
				}
			}
			if !record {
				full = append(full, happening{e.at, 6, e.id, -1, &Probe{
					At: e.at, Printer: s.Printer, Plate: slowPlate(all[:k], s, e.at), Side: s.Side, Turned: s.Turned, Ends: true,
				}})
			}
		}
		full = append(full, e)
	}

	out := make([]Exposure, len(h.Starts))
	for k, e := range full {
		if s, ok := e.any.(*Start); ok {
			out[e.given] = slowOne(h, full[:k], s, e.at)
		}
	}
	return out
}

// slowInstants gives t of every start: for a sent one the last probe in its
// window with no other start of the printer between.
func slowInstants(h *History) []int64 {
	out := make([]int64, len(h.Starts))
	for i := range h.Starts {
		f := &h.Starts[i]
		out[i] = f.At
		if !f.Sent {
			continue
		}
		for _, p := range h.Probes {
			if p.Printer != f.Printer || !p.Ends || p.At < f.At || p.At > f.At+h.StartWindow {
				continue
			}
			if f.GradedAt != 0 && p.At >= f.GradedAt {
				continue
			}
			closed := false
			for o := range h.Starts {
				g := &h.Starts[o]
				later := g.At > f.At || g.At == f.At && bytes.Compare(g.ID[:], f.ID[:]) > 0
				closed = closed || o != i && g.Printer == f.Printer && later && g.At <= p.At
			}
			if !closed {
				out[i] = max(out[i], p.At)
			}
		}
	}
	return out
}

// slowPlate is the plate named, or the one fitted at that time.
func slowPlate(before []happening, f *Start, t int64) int32 {
	if f.Plate != None {
		return f.Plate
	}
	for k := len(before) - 1; k >= 0; k-- {
		x, ok := before[k].any.(*Fitting)
		if !ok || x.Printer != f.Printer {
			continue
		}
		if x.Removed != 0 && x.Removed <= t {
			return None
		}
		for _, later := range before[k+1:] {
			switch o := later.any.(type) {
			case *Fitting:
				if o.Plate == x.Plate {
					return None
				}
			case *Start:
				if o.Plate == x.Plate && o.Printer != x.Printer {
					return None
				}
			}
		}
		return x.Plate
	}
	return None
}

func slowOne(h *History, before []happening, f *Start, t int64) Exposure {
	x := Exposure{At: t, Plate: slowPlate(before, f, t)}
	j := x.Plate
	plateOf := func(k int) int32 { return slowPlate(before[:k], before[k].any.(*Start), before[k].at) }
	startOf := func(k int) bool {
		s, ok := before[k].any.(*Start)
		return ok && s.Printer == f.Printer
	}

	previous, probe := -1, -1
	for k := range before {
		if startOf(k) {
			previous = k
		}
		if p, ok := before[k].any.(*Probe); ok && p.Printer == f.Printer {
			probe = k
		}
	}
	skipBetween := false
	for k := previous + 1; k < len(before); k++ {
		if s, ok := before[k].any.(*Skip); ok && s.Printer == f.Printer {
			skipBetween = true
		}
	}

	// skipped_probing
	switch {
	case f.Probed != Unknown:
		x.Skipped = Yes
		if f.Probed == Yes {
			x.Skipped = No
		}
	case previous >= 0 && probe > previous:
		x.Skipped = No
	case previous >= 0 && skipBetween:
		x.Skipped = Yes
	case !h.RecordsAll[f.Printer]:
		x.Skipped = Unknown
	case probe < 0:
		x.Skipped = Unknown
	case previous < 0:
		x.Skipped = No
	default:
		x.Skipped = Yes
	}

	// since the last probe
	x.PrintsSinceProbe, x.SinceProbe = None, None
	if probe >= 0 {
		x.SinceProbe = t - before[probe].at
		x.PrintsSinceProbe = 0
		p := before[probe].any.(*Probe)
		disturbed, another := false, false
		for k := probe + 1; k < len(before); k++ {
			switch o := before[k].any.(type) {
			case *Service:
				disturbed = disturbed || o.Printer == f.Printer
			case *Fitting:
				disturbed = disturbed || o.Printer == f.Printer && o.Plate == j
			case *Start:
				if o.Printer == f.Printer {
					x.PrintsSinceProbe++
					was := plateOf(k)
					another = another || was != None && j != None && was != j
				}
			}
		}
		last := -1
		for k := range before[:probe] {
			if startOf(k) {
				last = k
			}
		}
		x.PlateSwapped = No
		switch {
		case disturbed:
			x.PlateSwapped = Yes
		case p.Plate != None:
			if p.Plate != j && j != None || p.Side != f.Side && p.Side != 0 && f.Side != 0 ||
				p.Turned != f.Turned && p.Turned != Unknown && f.Turned != Unknown {
				x.PlateSwapped = Yes
			}
		case another:
			x.PlateSwapped = Yes
		case last < 0:
			x.PlateSwapped = Unknown
		default:
			if was := plateOf(last); was != None && j != None && was != j {
				x.PlateSwapped = Yes
			}
		}
	}

	// probe_state
	switch {
	case x.Skipped == Yes:
		x.State = StateSkipped
	case x.Skipped == Unknown || x.PlateSwapped == Unknown:
		x.State = StateUnknown
	case x.PlateSwapped == Yes:
		x.State = StateVoid
	default:
		x.State = StateValid
	}

	// since the last cleaning and washing of the plate
	x.PrintsSinceClean, x.SinceClean, x.PrintsSinceWash = None, None, None
	if j != None {
		for k, e := range before {
			c, ok := e.any.(*Cleaning)
			if !ok || c.Plate != j || !c.Clears && !c.Washes {
				continue
			}
			starts := int32(0)
			for o := k + 1; o < len(before); o++ {
				if _, ok := before[o].any.(*Start); ok && plateOf(o) == j {
					starts++
				}
			}
			if c.Clears {
				x.PrintsSinceClean, x.SinceClean = starts, t-c.At
			}
			if c.Washes {
				x.PrintsSinceWash = starts
			}
		}
	}

	// restart
	for k, e := range before {
		s, ok := e.any.(*Start)
		if ok && s.Printer == f.Printer && s.Failed && t-e.at <= 60*60*1e6 {
			was := plateOf(k)
			x.Restart = x.Restart || was == j || was == None || j == None
		}
	}
	x.RestartThen = x.Restart
	return x
}
