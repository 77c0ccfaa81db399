package web

import (
	"net/url"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// lateAfter is how long after it happened an entry counts as late.
const lateAfter = 24 * time.Hour

// fillHistory turns entries into lines; one more than a page means there are
// older ones.
func (s *Server) fillHistory(p *views.ThingPage, entries []store.HistoryEntry, zone *time.Location, path, other string, before store.Cursor) {
	if len(entries) == 0 {
		p.Empty = "Nothing recorded of " + p.Tag + " yet. It begins with the first layer, probe or cleaning that names it."
		if !before.IsZero() {
			p.Empty = "Nothing older."
		}
	}
	here := s.url(path + url.PathEscape(p.Tag))
	if len(entries) > historyPage {
		entries = entries[:historyPage]
		last := entries[historyPage-1]
		p.Pager.Older = here + "?before=" + url.QueryEscape(cursorText(last.At, last.ID)) + "#history"
	}
	if !before.IsZero() {
		p.Pager.First = here + "#history"
	}
	for i := range entries {
		p.History = append(p.History, s.event(&entries[i], zone, other))
	}
}

// event says one entry in words.
func (s *Server) event(e *store.HistoryEntry, zone *time.Location, other string) views.Event {
	v := views.Event{Kind: e.Kind, When: clock(e.At, zone), ISO: iso(e.At), Voided: e.VoidedAt != nil, Why: orNoRecord(e.VoidReason)}
	v.Late = e.NotedAt.Sub(e.At) > lateAfter
	thing := "plate "
	if other == "/printers/" {
		thing = "printer "
	}
	var with []string
	if e.Other != "" {
		with = append(with, thing+e.Other)
	}
	switch farm.Kind(e.Kind) {
	case farm.KindFirstLayer:
		v.What, v.Href, v.State = "First layer", s.url("/first-layers/"+e.ID.String()), stateFor(gradeStates, e.Code)
		with = append(with, e.Detail, markSummary(e.Marks))
		if e.Shown {
			with = append(with, "underside shown")
		}
	case farm.KindProbe:
		v.What = map[string]string{"part": "Probed in part", "zero": "Zero taken"}[e.Code]
		if v.What == "" {
			v.What = "Probed"
		}
	case farm.KindProbeSkipped:
		v.What = "Probing skipped"
		with = append(with, wordFor(skipReasonWords, e.Code), e.Detail)
	case farm.KindOffsetChange:
		v.What = "Offset changed"
		with = append(with, offsetWords(e.FromMM, e.ToMM), e.Detail)
	case farm.KindService:
		v.What = "Service"
		with = append(with, wordFor(workWords, e.Code), e.Detail)
	case farm.KindFitting:
		v.What = "Plate fitted"
		if e.EndedAt != nil {
			with = append(with, "taken off "+clock(*e.EndedAt, zone))
		}
	case farm.KindCleaning:
		v.What = wordFor(methodWords, e.Code)
		with = append(with, strings.ReplaceAll(e.Detail, "_", " "))
	case farm.KindPlateState:
		v.What = stateFor(plateStateStates, e.Code).Word
		with = append(with, e.Detail)
	case farm.KindHold:
		v.What, v.State = "Hold placed", printerStates["hold"]
		if e.EndedAt != nil {
			v.State = views.State{}
			with = append(with, "released "+clock(*e.EndedAt, zone))
		}
		with = append(with, e.Detail)
	default:
		v.What = sentenceCase(e.Kind)
	}
	if e.Person != "" {
		with = append(with, "by "+e.Person)
	}
	v.With = joinWords(with)
	return v
}

func offsetWords(from, to *float64) string {
	if from == nil || to == nil {
		return "to " + mm(orNaN(to))
	}
	return mm(*from) + " to " + mm(*to)
}

// markSummary names the marks of a layer once each, in the order people meet
// them.
func markSummary(text string) string {
	marks, _, _ := farm.ParseMarks(text)
	seen := map[string]bool{}
	var words []string
	for _, m := range marks {
		if !seen[m.Mark] {
			seen[m.Mark] = true
			words = append(words, strings.ToLower(wordFor(markWords, m.Mark)))
		}
	}
	return strings.Join(words, ", ")
}

func joinWords(words []string) string {
	var kept []string
	for _, w := range words {
		if w != "" {
			kept = append(kept, w)
		}
	}
	return strings.Join(kept, " · ")
}
