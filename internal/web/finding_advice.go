package web

import (
	"fmt"
	"math"

	"basecourse/views"
)

// adviceFor says what to do about a finding, why, how sure, and what would
// settle it.
func adviceFor(e *Evidence) views.Advice {
	probing := e.Cause == "skipped_probing"
	a := views.Advice{Because: exposedWords(e)}
	records := map[bool]string{true: "every probe and every skip", false: "every cleaning"}[probing]
	switch {
	case e.State == "raised" && probing:
		a.Tone, a.Do = "act", "Probe "+e.Subject+" before every start."
	case e.State == "raised" && e.Kind == "plate":
		a.Tone, a.Do = "act", fmt.Sprintf("Wash plate %s before it reaches %s prints.", e.Subject, figure(math.Floor(e.GapSplit)+1))
	case e.State == "raised":
		a.Tone, a.Do = "act", fmt.Sprintf("On %s, use plates washed at most %s prints ago.", e.Subject, figure(e.GapSplit))
	case e.Reverse && probing:
		a.Tone, a.Do = "soon", "Look at the probe and the nozzle tip of "+e.Subject+"."
	case e.Reverse:
		a.Tone, a.Do = "soon", "Look at rinse, cloth and release layer of "+e.Subject+"."
	case e.State == "watching" && e.Q <= sureClear:
		a.Do = "Leave it. It shows, but little would be gained."
	case e.State == "watching" && e.Q > sureMaybe:
		a.Do = "Leave it for now, and record " + records + " of " + e.Subject + "."
	case e.State == "watching":
		a.Tone, a.Do = "soon", "Keep an eye on "+e.Subject+" and record "+records+"."
	case e.State == "too_little_data":
		a.Do, a.Because = "Grade more layers of "+e.Subject+".", ""
		if e.Settle != "" {
			a.Change = e.Settle + "."
		}
		a.Sure = "cannot tell."
		return a
	default:
		a.Do = "Leave it. Nothing here asks for more " + map[bool]string{true: "probing", false: "cleaning"}[probing] + "."
	}
	a.Sure = sureWords(e)
	switch {
	case e.Case == "on_test":
		a.Tone, a.Do = "soon", "Follow the lot before each start of "+e.Subject+", until its test ends."
		a.Because, a.Change = "its test runs, and tells nothing where the lot is not followed.", "the end of its test."
	case e.State == "raised" && e.Lot != nil && e.Lot.Low > 0: // a lot has shown it
	case e.State == "raised":
		a.Change = "a test: for the next starts, a lot decides which get a washed plate."
		if probing {
			a.Change = "a test: for the next starts, a lot decides which are probed."
		}
	}
	return a
}

// Up to which share of false findings each of the fixed words holds.
const (
	sureClear  = 0.05
	sureLikely = 0.20
	sureMaybe  = 0.50
)

// sureWords: the chance that this is no false alarm, in the fixed words, with
// the interval of what could be avoided.
func sureWords(e *Evidence) string {
	word := "cannot tell"
	switch {
	case math.IsNaN(e.Q):
	case e.Reverse:
		// Of the opposite sign only this is known: it stands out at the level at
		// which findings are raised.
		return "clear that it points the other way. How much could be avoided is not estimated."
	case e.Q <= sureClear:
		word = "clear"
	case e.Q <= sureLikely:
		word = "likely"
	case e.Q <= sureMaybe:
		word = "may be"
	}
	if math.IsNaN(e.Avoidable) {
		return word + "."
	}
	if e.AvoidableHigh <= 0 {
		return word + ". Avoidable: none seen."
	}
	return fmt.Sprintf("%s. Avoidable: %s of 100 layers.", word, perHundredRange(e.Avoidable, e.AvoidableLow, e.AvoidableHigh))
}

func exposedWords(e *Evidence) string {
	rest, restFailed := e.N-e.NExposed, e.Failures-e.FailuresExposed
	for _, c := range e.Cells {
		if c.Code == "void" {
			rest, restFailed = rest-c.Graded, restFailed-c.Failures
		}
	}
	with, without := "without a probe", "with one"
	if e.Cause == "cleaning_gap" {
		with, without = "after more than "+figure(e.GapSplit)+" prints", "after "+figure(e.GapSplit)+" or fewer"
	}
	if e.Reverse {
		return fmt.Sprintf("%s of %s layers failed %s, %s of %s %s.", count(restFailed), count(rest), without, count(e.FailuresExposed), count(e.NExposed), with)
	}
	return fmt.Sprintf("%s of %s layers failed %s, %s of %s %s.", count(e.FailuresExposed), count(e.NExposed), with, count(restFailed), count(rest), without)
}
