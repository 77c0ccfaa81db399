package web

import (
	"context"
	"strconv"
	"strings"
	"sync"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/findings"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

const (
	proofsShown = 3
	proofStarts = 2000 // read of one proof at most
)

// Actions whose doing can be shown to have held; the others are about the layer
// that lies there, or find something out.
var proved = map[string]bool{"swap_plate": true, "wipe": true, "wash": true, "coat": true, "soak": true, "probe": true, "tram": true, "move_nozzle": true,
	"check_feed": true, "dry_filament": true, "turn_plate": true, "set_plate_aside": true}

// actionWords are the actions of an advice as something that was done.
var actionWords = map[string]string{
	"let_run": "let run", "nudge": "nudged", "stop": "stopped", "leave": "left as it is", "swap_plate": "plate swapped", "wipe": "plate wiped", "wash": "plate washed",
	"coat": "release layer put on", "soak": "bed soaked", "probe": "probed", "tram": "bed trammed", "move_nozzle": "nozzle moved", "check_feed": "feed checked",
	"dry_filament": "filament dried", "turn_plate": "plate turned", "set_plate_aside": "plate set aside", "investigate": "looked into", "print_coupon": "coupon printed",
}

// adviceSubject is what an action is done to: the plate for care of plates, else
// the printer.
func adviceSubject(f *farm.FirstLayer, action string) (kind, tag string) {
	switch action {
	case "wipe", "wash", "coat":
		if f.Plate != "" {
			return "plate", f.Plate
		}
	}
	return "printer", f.Printer
}

// farmRates keeps how the rates of the farm's printers, and of its plates, spread: a
// reading of every layer of weeks, which the layers of a quarter of an hour do not
// move.
type farmRates struct {
	mu   sync.Mutex
	kept map[string]farmRate
}

type farmRate struct {
	rate stats.Beta
	at   time.Time
}

// ratesFor is for how long they are kept. The number that follows from them is stored
// as it was shown.
const ratesFor = 15 * time.Minute

func (s *Server) farmRate(ctx context.Context, kind string, at time.Time) (stats.Beta, error) {
	k := &s.rates
	k.mu.Lock()
	x, ok := k.kept[kind]
	k.mu.Unlock()
	if age := at.Sub(x.at); ok && age >= 0 && age < ratesFor {
		return x.rate, nil
	}
	by := store.TrendPrinter
	if kind == "plate" {
		by = store.TrendPlate
	}
	t, err := s.store.Trends(ctx, store.TrendQuery{By: by, Bounds: []time.Time{at.Add(-thingWindow), at}, Until: at, Zone: time.UTC})
	if err != nil {
		return stats.Beta{}, err
	}
	var failed, graded []int
	for _, g := range t.Groups {
		if g.Name != "" {
			failed, graded = append(failed, g.Total.Failures), append(graded, g.Total.Graded)
		}
	}
	x = farmRate{findings.FarmRate(failed, graded), at}
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.kept == nil {
		k.kept = map[string]farmRate{}
	}
	k.kept[kind] = x
	return x.rate, nil
}

// needed tells how many good layers would show that a fix held, and the share
// that is expected to fail if nothing changed.
func (s *Server) needed(ctx context.Context, kind, tag string, at time.Time) (good int, rate float64, err error) {
	farm, err := s.farmRate(ctx, kind, at)
	if err != nil {
		return 0, 0, err
	}
	of, err := s.store.ThingOf(ctx, kind, tag)
	if err != nil {
		return 0, 0, err
	}
	own, err := s.store.CountsOf(ctx, of, [2]time.Time{at.Add(-thingWindow), at})
	if err != nil {
		return 0, 0, err
	}
	b := farm.After(own[0].Failures, own[0].Graded)
	return findings.GoodNeeded(b, findings.LuckAimed, findings.MostNeeded), b.Mean(), nil
}

// provingWords say in advance what will show that a fix held.
func provingWords(kind, tag string, good int, rate float64) string {
	on := map[string]string{"printer": "on ", "plate": "with plate "}[kind] + tag
	expected := " Now " + oneIn(rate) + " is expected to fail " + on + "."
	if good == 0 {
		return "Failures are too rare " + on + " to show by counting that this held: it is watched for coming back." + expected
	}
	return "Proving: " + counted(good, "good layer", "good layers") + " in a row " + on + ", none nudged, show that it held. By luck that many come at most once in ten." + expected
}

// oneIn says a rate as one in so many layers.
func oneIn(rate float64) string {
	if rate <= 0 {
		return "next to none"
	}
	return "about one layer in " + strconv.Itoa(max(1, int(1/rate+0.5)))
}

var proofStates = map[findings.ProofState]views.State{
	findings.Proving:  {Code: "proving", Word: "Proving"},
	findings.HeldUp:   {Code: "held_up", Word: "Held up"},
	findings.CameBack: {Code: "came_back", Word: "Came back", Sign: "half", Tone: "soon"},
}

// proofs tells how the latest fixes of a thing stand, the latest first.
func (s *Server) proofs(ctx context.Context, of store.Thing, end time.Time, zone *time.Location) ([]views.Proof, error) {
	list, err := s.store.AdviceDoneTo(ctx, of, end, proofsShown+1)
	if err != nil {
		return nil, err
	}
	var out []views.Proof
	to := end
	for _, a := range list {
		if !proved[a.Action] {
			continue
		}
		p, err := s.proof(ctx, of, a, to, to.Before(end), zone)
		if err != nil {
			return nil, err
		}
		if to = a.At; len(out) < proofsShown {
			out = append(out, p)
		}
	}
	return out, nil
}

// proof counts the layers after one fix, up to the next one.
func (s *Server) proof(ctx context.Context, of store.Thing, a *farm.AdviceDone, to time.Time, followed bool, zone *time.Location) (views.Proof, error) {
	starts, err := s.store.StartsAfter(ctx, of, a.At, to, proofStarts)
	if err != nil {
		return views.Proof{}, err
	}
	after := make([]findings.After, len(starts))
	for i, x := range starts {
		after[i] = findings.After{At: x.At, Graded: x.Grade != "", Failed: x.Failed, Nudged: x.Nudged, Watched: x.Grade == "marginal" && !x.Failed}
	}
	got := findings.Prove(a.GoodNeeded, after)
	v := views.Proof{Code: got.State.String(), State: proofStates[got.State], Href: s.url("/first-layers/" + layerPath(a.FirstLayer)),
		What: sentenceCase(wordFor(actionWords, a.Action)), When: clock(a.At, zone), ISO: iso(a.At), By: a.Person, Subject: a.Subject}
	switch {
	case got.State == findings.HeldUp:
		v.Words = "held up: " + counted(got.Good, "good layer", "good layers") + " in a row, " + clock(got.Ended, zone)
	case got.State == findings.CameBack:
		v.Words = "came back after " + counted(got.Good, "good layer", "good layers") + ", " + clock(got.Ended, zone)
	case followed:
		v.State, v.Code, v.Words = views.State{Code: "followed", Word: "Not settled"}, "followed", "another fix followed after "+counted(got.Good, "good layer", "good layers")
	case a.GoodNeeded == 0:
		v.State = views.State{Code: "watching", Word: "Watched"}
		v.Words = "watched for coming back; " + counted(got.Good, "good layer", "good layers") + " so far"
	default:
		v.State.Word = "Proving " + count(got.Good) + " of " + count(a.GoodNeeded)
		v.Words = "good layers in a row, none nudged"
	}
	begun := 0 // of the count that stands
	for i, k := range got.Layers {
		if k == findings.CountsAnew {
			begun = i
		}
	}
	for i, k := range got.Layers {
		if i < begun || k == findings.CountsNeither || k == findings.CountsAfter {
			continue
		}
		word := map[findings.Counts]string{findings.CountsGood: "good", findings.CountsAnew: "nudged: the count began anew", findings.CountsBack: "failed: it came back"}[k]
		if of.Plate != 0 {
			word += ", on " + starts[i].Printer
		}
		v.Layers = append(v.Layers, views.Fact{Word: word, Value: clock(starts[i].At, zone), Href: s.url("/first-layers/" + starts[i].ID.String())})
	}
	return v, nil
}

// layerPath is a first layer's id as its address has it.
func layerPath(text string) string {
	id, err := farm.NewID(farm.KindFirstLayer, text)
	if err != nil {
		return text
	}
	return id.UUID.String()
}

// answered tells, on a first layer's page, what was done about its advice and how
// the proofs stand.
func (s *Server) answered(ctx context.Context, f *farm.FirstLayer, end time.Time, zone *time.Location) (list []views.Proof, err error) {
	said, err := s.store.AdviceOn(ctx, f)
	if err != nil {
		return nil, err
	}
	for _, a := range said {
		v := views.Proof{Code: a.Answer, When: clock(a.At, zone), ISO: iso(a.At), By: a.Person, Subject: a.Subject, Words: a.Reason}
		switch action := wordFor(actionWords, a.Action); a.Answer {
		case "disagreed":
			v.State, v.What = views.State{Code: "disagreed", Word: "Disagreed"}, "Advice was: "+action
		case "something_else":
			v.State, v.What = views.State{Code: "something_else", Word: "Something else was done"}, "Advice was: "+action
		default:
			v.State, v.What = views.State{Code: "done", Word: "Done"}, sentenceCase(action)
			if proved[a.Action] {
				of, err := s.store.ThingOf(ctx, a.SubjectKind, a.Subject)
				if err != nil {
					return nil, err
				}
				later, err := s.store.AdviceDoneTo(ctx, of, end, 50)
				if err != nil {
					return nil, err
				}
				to := end
				for _, x := range later { // newest first: the one just after this
					if x.At.After(a.At) && proved[x.Action] {
						to = x.At
					}
				}
				if v, err = s.proof(ctx, of, a, to, to.Before(end), zone); err != nil {
					return nil, err
				}
				v.Href = s.url(strings.ToLower("/"+a.SubjectKind+"s/") + a.Subject)
			}
		}
		v.Action = a.Action
		list = append(list, v)
	}
	return list, nil
}
