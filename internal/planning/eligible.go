package planning

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// Want is what a job wants of a printer and its plate; unknown (NaN, "") wants
// nothing.
type Want struct {
	XMM, YMM float64 // room on the bed; either way round
	Surface  string
	// Material the printer must have run lately; "" any printer will do.
	Material string
}

// Prep is what may be done before a start, its price and the chance of failure
// after it.
type Prep struct {
	Do   string // "" nothing, clean, probe, both
	Cost float64
	Odds
}

// Machine is a printer with the plate on it, as it stands.
type Machine struct {
	Printer, Plate  string // "" no plate known
	Surface         string // of the plate; "" unknown
	Ran             bool   // the job's material lately
	BedXMM, BedYMM  float64
	PlateXMM        float64 // NaN unknown
	PlateYMM        float64
	Out             string // why it is not in service; "" it is
	Held, PlateHeld bool
	Why, PlateWhy   string // the holds' reasons
	PlateState      string // code; "" or in_use: may be used
	Busy            string // until when it prints, in words; "" it is free
	Preps           []Prep // at least to do nothing; none: no chance is known
	Stale           bool   // its probe no longer holds: probing is part of any prep, where a chance after it is known
	FailCost        float64
	SurfaceWord     func(code string) string // as people read it
}

// Match is a machine for a job: fit to be started, or why not.
type Match struct {
	Machine *Machine
	Best    Prep    // of least expected cost
	Cost    float64 // expected, of a start: its prep and its failure; NaN unknown
	Not     []string
}

// Eligible parts the machines into those a job may be started on now, by
// expected cost (unknown last) then tag, and the others, each with every reason.
// A hold is always a reason.
func Eligible(w Want, machines []Machine) (fit, not []Match) {
	for i := range machines {
		m := &machines[i]
		x := Match{Machine: m, Cost: math.NaN(), Not: m.reasons(w)}
		for _, p := range m.Preps {
			if m.Stale && p.Do != "probe" && p.Do != "both" {
				continue
			}
			if c := p.Cost + p.P*m.FailCost; math.IsNaN(x.Cost) || c < x.Cost-1e-12 {
				x.Best, x.Cost = p, c
			}
		}
		if len(x.Not) == 0 {
			fit = append(fit, x)
		} else {
			not = append(not, x)
		}
	}
	order := func(a, b Match) int {
		if u, v := math.IsNaN(a.Cost), math.IsNaN(b.Cost); u != v {
			if u {
				return 1
			}
			return -1
		} else if !u && a.Cost != b.Cost {
			return cmp.Compare(a.Cost, b.Cost)
		}
		return cmp.Compare(a.Machine.Printer, b.Machine.Printer)
	}
	slices.SortStableFunc(fit, order)
	slices.SortStableFunc(not, func(a, b Match) int { return cmp.Compare(a.Machine.Printer, b.Machine.Printer) })
	return fit, not
}

func (m *Machine) reasons(w Want) (list []string) {
	if m.Held {
		list = append(list, "on hold"+colon(m.Why))
	}
	if m.PlateHeld {
		list = append(list, "plate "+m.Plate+" on hold"+colon(m.PlateWhy))
	}
	if m.Out != "" {
		list = append(list, m.Out)
	}
	switch m.PlateState {
	case "in_wash":
		list = append(list, "plate "+m.Plate+" in wash")
	case "set_aside":
		list = append(list, "plate "+m.Plate+" set aside")
	case "retired":
		list = append(list, "plate "+m.Plate+" retired")
	}
	list = append(list, short("bed", m.BedXMM, m.BedYMM, w)...)
	list = append(list, short("plate", m.PlateXMM, m.PlateYMM, w)...)
	switch word := func(code string) string {
		if m.SurfaceWord != nil {
			return m.SurfaceWord(code)
		}
		return code
	}; {
	case w.Surface == "" || m.Surface == w.Surface:
	case m.Plate == "":
		list = append(list, "no plate known on it, job needs "+word(w.Surface))
	case m.Surface == "":
		list = append(list, "surface not known, job needs "+word(w.Surface))
	default:
		list = append(list, "plate is "+word(m.Surface)+", job needs "+word(w.Surface))
	}
	if w.Material != "" && !m.Ran {
		list = append(list, "ran no "+w.Material+" lately")
	}
	if m.Busy != "" {
		list = append(list, "prints until about "+m.Busy)
	}
	return list
}

func colon(why string) string {
	if why == "" {
		return ""
	}
	return ": " + why
}

// short says what is too small, the part lying either way round.
func short(what string, x, y float64, w Want) []string {
	if fits(x, w.XMM) && fits(y, w.YMM) || fits(x, w.YMM) && fits(y, w.XMM) {
		return nil
	}
	if math.IsNaN(w.YMM) || math.IsNaN(w.XMM) {
		want := w.XMM
		if math.IsNaN(want) {
			want = w.YMM
		}
		return []string{fmt.Sprintf("%s %.0f mm, job needs %.0f", what, max(x, y), want)}
	}
	if x == y && w.XMM == w.YMM {
		return []string{fmt.Sprintf("%s %.0f mm, job needs %.0f", what, x, w.XMM)}
	}
	return []string{fmt.Sprintf("%s %.0f × %.0f mm, job needs %.0f × %.0f", what, x, y, w.XMM, w.YMM)}
}

func fits(have, want float64) bool {
	return math.IsNaN(have) || math.IsNaN(want) || have >= want
}
