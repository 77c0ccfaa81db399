package web

import (
	"context"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/internal/trial"
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

// promise is what a fix is weighed by, fixed before the layers that show it are printed.
type promise struct {
	good   int     // good layers in a row that show that it held; 0: cannot be shown by counting
	rate   float64 // share of layers that would fail had nothing changed
	layers float64 // how many layers that is worth
}

// needed tells what will show that a fix held.
func (s *Server) needed(ctx context.Context, kind, tag string, at time.Time) (promise, error) {
	l, err := s.ledgerAt(ctx, kind, at)
	if err != nil {
		return promise{}, err
	}
	of, err := s.store.ThingOf(ctx, kind, tag)
	if err != nil {
		return promise{}, err
	}
	own, err := s.store.CountsOf(ctx, of, [2]time.Time{at.Add(-thingWindow), at})
	if err != nil {
		return promise{}, err
	}
	b := l.rate(l.day(at)+1).After(own[0].Failures, own[0].Graded)
	return promise{trial.GoodNeeded(b), b.Mean(), b.Alpha + b.Beta}, nil
}

// fields are what a form carries of it.
func (p promise) fields() []views.Fact {
	return []views.Fact{{Word: "good_needed", Value: strconv.Itoa(p.good)}, {Word: "expected_rate", Value: string(farm.AppendNumber(nil, p.rate))},
		{Word: "expected_layers", Value: string(farm.AppendNumber(nil, p.layers))}}
}

// provingWords say in advance what will show that a fix held.
func provingWords(kind, tag string, p promise) string {
	on := map[string]string{"printer": "on ", "plate": "with plate "}[kind] + tag
	expected := " Now " + oneIn(p.rate) + " is expected to fail " + on + "."
	if p.good == 0 {
		return "Failures are too rare " + on + " to show by counting that this held: it is watched for coming back." + expected
	}
	return "Proving: " + counted(p.good, "good layer", "good layers") + " " + on + ", none nudged, show that it held, and more where one fails or look-alikes nobody touched get better too. A fix that changes nothing passes at most once in twenty." + expected
}

// oneIn says a rate as one in so many layers.
func oneIn(rate float64) string {
	if rate <= 0 {
		return "next to none"
	}
	return "about one layer in " + strconv.Itoa(max(1, int(1/rate+0.5)))
}

var proofStates = map[trial.ProofState]views.State{
	trial.Open:      {Code: "proving", Word: "Proving"},
	trial.Upheld:    {Code: "held_up", Word: "Held up"},
	trial.NotUpheld: {Code: "came_back", Word: "Came back", Sign: "half", Tone: "soon"},
	trial.TooLittle: {Code: "too_little", Word: "Too little to tell"},
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

// proof weighs the layers after one fix, up to the next one.
func (s *Server) proof(ctx context.Context, of store.Thing, a *farm.AdviceDone, to time.Time, followed bool, zone *time.Location) (views.Proof, error) {
	last := a.At.Add(trial.ProofDays * day)
	over := followed || last.Before(to)
	if last.Before(to) {
		to = last
	}
	starts, err := s.store.StartsAfter(ctx, of, a.At, to, proofStarts)
	if err != nil {
		return views.Proof{}, err
	}
	after := make([]trial.After, len(starts))
	for i, x := range starts {
		after[i] = trial.After{At: x.At, Graded: x.Grade != "", Failed: x.Failed, Nudged: x.Nudged, Watched: x.Grade == "marginal" && !x.Failed}
	}
	var got trial.Proof
	beside := ""
	if farm.Known(a.ExpectedLayers) && a.ExpectedRate > 0 && a.ExpectedRate < 1 {
		rate := stats.Beta{Alpha: a.ExpectedRate * a.ExpectedLayers, Beta: (1 - a.ExpectedRate) * a.ExpectedLayers}
		l, err := s.ledgerAt(ctx, a.SubjectKind, a.At)
		if err != nil {
			return views.Proof{}, err
		}
		alike := l.alike(a, rate)
		for i := range after {
			after[i].Beside = alike.To(l.day(after[i].At))
		}
		got = trial.Prove(rate, after, over)
		beside = besideWords(&got, alike.Len(), a.SubjectKind)
	} else { // promised before expectations were kept with it
		got = trial.ProveRun(a.GoodNeeded, after, over)
	}
	v := views.Proof{Code: proofStates[got.State].Code, State: proofStates[got.State], Href: s.url("/first-layers/" + layerPath(a.FirstLayer)),
		What: sentenceCase(wordFor(actionWords, a.Action)), When: clock(a.At, zone), ISO: iso(a.At), By: a.Person, Subject: a.Subject}
	counted := goodAndFailed(got.Good, got.Failures)
	switch got.State {
	case trial.Upheld:
		v.Words = "held up: " + counted + ", " + clock(got.Ended, zone)
	case trial.NotUpheld:
		v.Words = "came back: " + counted + ", " + clock(got.Ended, zone)
	case trial.TooLittle:
		v.Words = counted
		if followed {
			v.Words = "another fix followed after " + counted
		}
	default:
		switch {
		case a.GoodNeeded == 0:
			v.State, v.Words = views.State{Code: "watching", Word: "Watched"}, "watched for coming back; "+counted+" so far"
		case got.More == 0:
			v.Words = counted + "; too many failed to show by counting that it held"
		default:
			v.State.Word = "Proving " + count(got.Good) + " of " + count(got.Good+got.More)
			v.Words = counted + ", none nudged"
		}
	}
	v.Words += beside
	for i, k := range got.Layers {
		word := map[trial.Counts]string{trial.CountsGood: "good", trial.CountsFailed: "failed"}[k]
		if word == "" {
			continue
		}
		if of.Plate != 0 {
			word += ", on " + starts[i].Printer
		}
		v.Layers = append(v.Layers, views.Fact{Word: word, Value: clock(starts[i].At, zone), Href: s.url("/first-layers/" + starts[i].ID.String())})
	}
	return v, nil
}

// goodAndFailed counts what a proof rests on.
func goodAndFailed(good, failures int) string {
	words := counted(good, "good layer", "good layers")
	if failures > 0 {
		words += ", " + count(failures) + " failed"
	}
	return words
}

// besideWords say what would have failed had nothing changed, and what look-alikes did.
func besideWords(p *trial.Proof, alike int, kind string) string {
	if p.Good+p.Failures == 0 {
		return ""
	}
	words := "; had nothing changed, " + about(p.Expected) + " would have failed"
	if alike == 0 {
		return words + "; no look-alikes that nobody touched"
	}
	return words + "; beside it " + counted(alike, kind, kind+"s") + " like it, untouched: " + count(p.Beside.Failures) + " failed, " + about(p.Beside.Expected) + " expected"
}

// about says an expected count.
func about(x float64) string {
	if x < 9.95 {
		return "about " + strconv.FormatFloat(x, 'f', 1, 64)
	}
	return "about " + count(int(x+0.5))
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
