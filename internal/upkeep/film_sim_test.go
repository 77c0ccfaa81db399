package upkeep

import (
	"slices"
	"testing"
	"time"

	"basecourse/internal/exposure"
	"basecourse/internal/findings"
	"basecourse/internal/simfarm"
)

// filmed counts plates by what is said of washing them.
type filmed struct {
	plates, washed      int // without a film; of them told to be washed
	films, found        int // whose film costs more than its washes
	small, smallFound   int // with a film that hardly pays
	little, filmsLittle int // too little data, all; of the films
	every               []int
}

// worthWashing is the hazard after 50 prints from which washing surely pays: at the
// default costs (a failure 5, a wash 2.8) washing every 26 prints then costs 0.21 a
// print, failures included, and every 110 prints, as habit has it, 0.47.
const worthWashing = 0.08

// tellFilms learns from a farm's weeks of habit and asks of every plate whether to wash
// it for what wipes leave.
func tellFilms(sc simfarm.Scenario, seed uint64) (out filmed) {
	f := simfarm.Run(sc, seed)
	c := f.Columns()
	h := &c.History
	ex := exposure.Of(h)
	layers := findings.Collect(h, ex, labels(c), c.From-1, c.From+int64(sc.Days)*day, time.UTC)
	_, m := findings.Learn(layers, sc.Printers, sc.Plates, 6, findings.Options{FalseDiscoveryRate: 0.05, LeastAvoidable: 0.5})
	cast := NewForecast(m)
	var starts []Past
	for i := range h.Starts {
		s := &h.Starts[i]
		starts = append(starts, PastOf(s, &ex[i], int32(c.Labels[i].Material), s.GradedAt != 0))
	}
	a := Learn(cast, starts).Adviser(cast, DefaultCosts())
	for j := range int32(sc.Plates) {
		s, told := a.SuggestWashing(Next{Printer: -1, Plate: j, Material: -1})
		film := f.Film(j)
		wash := told && s.Every > 0
		if !told {
			out.little++
			if film >= worthWashing {
				out.filmsLittle++
			}
		}
		switch {
		case film == 0:
			out.plates++
			if wash {
				out.washed++
			}
		case film < worthWashing:
			out.small++
			if wash {
				out.smallFound++
			}
		default:
			out.films++
			if wash {
				out.found++
				out.every = append(out.every, s.Every)
			}
		}
	}
	slices.Sort(out.every)
	return out
}

// A small version of FilmValidation (-tags long), whose table is
// testdata/validation/wash.md: washing is suggested where wiping leaves what builds up,
// and not where it does not. Of 181 films on forty such farms 162 are found: a plate
// whose records hardly tell is no fault.
func TestWashingIsSuggestedWhereWipesLeaveAFilm(t *testing.T) {
	films, found := 0, 0
	for seed := range uint64(6) {
		sc := small(simfarm.Filmed(), 24)
		sc.Days = 84
		got := tellFilms(sc, 11+seed)
		if got.washed > 0 || got.found+got.filmsLittle < got.films {
			t.Errorf("seed %d: %+v, want no other plate, and no film taken for none", 11+seed, got)
		}
		films, found = films+got.films, found+got.found
	}
	if films < 20 || float64(found) < 0.75*float64(films) {
		t.Errorf("%d of %d films found, want at least 75 %% of 20 or more", found, films)
	}
}
