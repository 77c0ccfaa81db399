// Package notices says what is news, in one sentence each, and how much of it a
// person gets. A notice is about printers, plates and jobs, never about people.
package notices

import (
	"fmt"
	"math"
	"time"
)

// Kind is what a notice is about.
type Kind string

// The kinds there are.
const (
	HoldPlaced    Kind = "hold"
	FindingRaised Kind = "finding"
	JobAtRisk     Kind = "job"
)

// Kinds lists them in the order people choose them in.
var Kinds = []Kind{HoldPlaced, FindingRaised, JobAtRisk}

// Word is what the kind is called.
func (k Kind) Word() string {
	switch k {
	case HoldPlaced:
		return "Hold placed"
	case FindingRaised:
		return "Finding raised"
	case JobAtRisk:
		return "Job at risk"
	}
	return string(k)
}

// Notice is one piece of news.
type Notice struct {
	Kind        Kind
	Key         string // the same news has the same key
	At          time.Time
	SubjectKind string // printer, plate, job
	Subject     string // tag or name
	Words       string
	Path        []string // of the page it leads to, not escaped
}

// Hold tells that a printer or plate is on hold. The reason is left out: it is
// free text and may name somebody.
func Hold(kind, tag string, placed time.Time, zone *time.Location) Notice {
	n := Notice{Kind: HoldPlaced, Key: fmt.Sprintf("hold/%s/%s/%d", kind, tag, placed.UnixMicro()), At: placed, SubjectKind: kind, Subject: tag, Path: []string{kind + "s", tag}}
	since := placed.In(zone).Format("2006-01-02 15:04")
	if kind == "plate" {
		n.Words = fmt.Sprintf("Plate %s is on hold since %s: print nothing on it.", tag, since)
	} else {
		n.Words = fmt.Sprintf("%s is on hold since %s: start no jobs on it.", tag, since)
	}
	return n
}

var causeWords = map[string]string{"skipped_probing": "skipped probing", "cleaning_gap": "long cleaning gaps"}

// Finding tells that a finding is raised.
func Finding(kind, tag, cause string, at time.Time) Notice {
	what, word := tag, causeWords[cause]
	if kind == "plate" {
		what = "plate " + tag
	}
	if word == "" {
		word = cause
	}
	return Notice{Kind: FindingRaised, Key: fmt.Sprintf("finding/%s/%s/%s/%s", kind, tag, cause, at.UTC().Format(time.RFC3339Nano)), At: at, SubjectKind: kind, Subject: tag,
		Words: fmt.Sprintf("Failed first layers on %s go with %s: look at the finding.", what, word), Path: []string{"findings", kind, tag, cause}}
}

// JobState is how the plan sees an open job.
type JobState struct {
	Job    string
	Enough float64 // chance that as many come out good as needed; NaN unknown
	Late   int     // minutes
	Cannot bool    // not all of it can be placed in time
}

// clearMargin is how far the chance must be above what is asked, as a part of
// what is left to certainty, before a job counts as safe again.
const clearMargin = 0.2

// Risk tells whether a job is at risk and whether it is plainly not: between the
// two it stays what it was.
func (j JobState) Risk(asked float64) (at, clear bool) {
	at = j.Cannot || j.Late > 0 || j.Enough < asked
	clear = !at && (math.IsNaN(j.Enough) || j.Enough >= asked+clearMargin*(1-asked))
	return at, clear
}

// Job tells that a job is at risk, by the weightiest reason.
func Job(j JobState, asked float64, at time.Time) Notice {
	n := Notice{Kind: JobAtRisk, Key: fmt.Sprintf("job/%s/%s", j.Job, at.UTC().Format(time.RFC3339Nano)), At: at, SubjectKind: "job", Subject: j.Job, Path: []string{"jobs", j.Job}}
	switch {
	case j.Cannot:
		n.Words = fmt.Sprintf("Job %s is at risk: not all of its starts fit before it is due.", j.Job)
	case j.Late > 0:
		n.Words = fmt.Sprintf("Job %s is at risk: the plan has it %s late.", j.Job, span(j.Late))
	default:
		n.Words = fmt.Sprintf("Job %s is at risk: enough good ones are less sure than asked (%.2f of %.2f).", j.Job, math.Floor(j.Enough*100)/100, asked)
	}
	return n
}

func span(minutes int) string {
	h, m := minutes/60, minutes%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}

// Watch remembers whether something was so at the last look.
type Watch struct {
	On         bool
	ClearSince time.Time // plainly not so since; zero: not
}

// How long a job and a finding must have been plainly not so before their being so
// is news again. Findings are worked out anew once a day.
const (
	CalmJob     = 6 * time.Hour
	CalmFinding = 7 * 24 * time.Hour
)

// Next is the watch after a look; news tells that it has just turned so. Neither
// is nor clear: between the two, nothing changes. It is over once it has been
// clear for as long as calm.
func (w Watch) Next(is, clear bool, now time.Time, calm time.Duration) (next Watch, news bool) {
	switch {
	case is && !w.On:
		return Watch{On: true}, true
	case is, !clear:
		w.ClearSince = time.Time{}
	case w.On && (w.ClearSince.IsZero() || w.ClearSince.After(now)): // ahead: of a clock that was wrong
		w.ClearSince = now
	case w.On && now.Sub(w.ClearSince) >= calm:
		return Watch{}, false
	}
	return w, false
}
