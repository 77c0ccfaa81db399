package web

import (
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// lateAfter is how long after it happened an entry counts as late.
const lateAfter = 24 * time.Hour

// historyWords are the kinds of events as people read them.
var historyWords = map[string]string{"first_layer": "First layers", "cleaning": "Cleanings", "probe": "Probes", "probe_skipped": "Skipped probes",
	"offset_change": "Offset changes", "service": "Services", "fitting": "Fittings", "plate_state": "Put away, taken up", "hold": "Holds", "disagreement": "Disagreements", "evidence_sheet": "Evidence kept", "advice_done": "Advice followed or not", "task_skipped": "Skipped tasks", "draw": "Draws", "case_step": "Case", "planned_test": "Tests"}

// fillHistory turns entries into lines; one more than a page means there are
// older ones.
func (s *Server) fillHistory(t *thing, entries []store.HistoryEntry) {
	p := &t.page
	p.Kinds = views.FilterRow{Label: "Show", Links: []views.FilterLink{{Word: "Everything", Href: s.thingHref(t, "", t.layers, "", "history"), Current: t.events == ""}}}
	for _, kind := range historyKinds(t.kind) {
		p.Kinds.Links = append(p.Kinds.Links, views.FilterLink{Word: wordFor(historyWords, kind), Href: s.thingHref(t, kind, t.layers, "", "history"), Current: t.events == kind})
	}
	if len(entries) == 0 {
		switch {
		case !t.before.IsZero():
			p.Empty = "Nothing older."
		case t.events != "":
			p.Empty = "No entries of this kind: " + strings.ToLower(wordFor(historyWords, t.events)) + "."
		default:
			p.Empty = "Nothing recorded of " + t.tag + " yet. It begins with the first layer, probe or cleaning that names it."
		}
	}
	if len(entries) > historyPage {
		entries = entries[:historyPage]
		last := entries[historyPage-1]
		p.Pager.Older = s.thingHref(t, t.events, t.layers, cursorText(last.At, last.ID), "history")
	}
	if !t.before.IsZero() {
		p.Pager.First = s.thingHref(t, t.events, t.layers, "", "history")
	}
	for i := range entries {
		p.History = append(p.History, s.event(&entries[i], t))
	}
}

// event says one entry in words.
func (s *Server) event(e *store.HistoryEntry, t *thing) views.Event {
	zone := t.zone
	v := views.Event{Kind: e.Kind, When: clock(e.At, zone), ISO: iso(e.At)}
	if e.NotedAt.Sub(e.At) > lateAfter {
		v.Late = "Late entry, entered " + clock(e.NotedAt, zone)
	}
	if e.VoidedAt != nil {
		v.Voided = "Voided " + clock(*e.VoidedAt, zone)
		if e.VoidedBy != "" {
			v.Voided += " by " + e.VoidedBy
		}
		v.Voided += ": " + orNoRecord(e.VoidReason)
	}
	thing := "plate "
	if t.kind == "plate" {
		thing = "printer "
	}
	var with []string
	if e.Other != "" {
		with = append(with, thing+e.Other)
	}
	switch farm.Kind(e.Kind) {
	case farm.KindFirstLayer:
		v.What, v.Href, v.State = "First layer", s.url("/first-layers/"+e.ID.String()), stateFor(gradeStates, e.Code)
		with = append(with, sideWords(e.Side, e.Turned), e.Detail, markSummary(e.Marks))
		if e.Shown {
			with = append(with, "underside shown")
		}
		if e.FromMM != nil && *e.FromMM != 0 {
			with = append(with, nudgeWords(*e.FromMM))
		}
		with = append(with, wordFor(outcomeWords, e.EndDetail))
	case farm.KindProbe:
		v.What = extentWord(e.Code)
		if e.RangeMM != nil {
			with = append(with, "mesh range "+mm(*e.RangeMM))
		}
		with = append(with, sideWords(e.Side, e.Turned), e.EndDetail)
	case farm.KindProbeSkipped:
		v.What = "Probing skipped"
		with = append(with, wordFor(skipReasonWords, e.Code), e.Detail)
	case farm.KindTaskSkipped:
		v.What = wordFor(skippedTaskWords, e.Code)
		with = append(with, wordFor(taskSkipWords, e.EndDetail), e.Detail)
	case farm.KindDraw:
		v.What = "Drawn by lot"
		with = append(with, drawWords(e.Code, e.EndDetail, e.FromMM), drawWhy(e.Detail))
	case farm.KindOffsetChange:
		v.What = "Offset changed"
		with = append(with, offsetWords(e.FromMM, e.ToMM), e.Detail)
	case farm.KindService:
		v.What = "Service"
		with = append(with, wordFor(workWords, e.Code), e.Detail)
	case farm.KindFitting:
		v.What = "Plate fitted"
		with = append(with, sideWords(e.Side, e.Turned))
		if e.EndedAt != nil {
			with = append(with, "taken off "+clock(*e.EndedAt, zone))
		}
	case farm.KindCleaning:
		v.What = wordFor(methodWords, e.Code)
		with = append(with, sideWords(e.Side, ""), strings.ReplaceAll(e.Detail, "_", " "))
	case farm.KindPlateState:
		v.What = stateFor(plateStateStates, e.Code).Word
		with = append(with, e.Detail)
	case farm.KindHold:
		v.What, v.State = "Hold placed", printerStates["hold"]
		with = append(with, e.Detail)
		if e.EndedAt != nil {
			v.State = views.State{}
			with = append(with, "released "+clock(*e.EndedAt, zone), wordFor(releaseWords, e.Code), e.EndDetail)
		}
	case farm.KindDisagreement:
		v.What, v.Href = "Disagreed with a finding", s.findingHref(t.kind, t.tag, e.Code)+"#disagreements"
		with = append(with, wordFor(causeWords, e.Code), e.Detail)
	case farm.KindCaseStep:
		v.What, v.Href = "Case of a finding: "+lowerFirst(wordFor(caseWords, e.EndDetail)), s.findingHref(t.kind, t.tag, e.Code)+"#case"
		with = append(with, wordFor(causeWords, e.Code), e.Detail)
	case farm.KindPlannedTest:
		v.What, v.Href = "Test: "+wordFor(testedWords, e.Code)+" drawn by lot", s.url("/tests/"+e.ID.String())
		with = append(with, e.Detail)
		if e.EndedAt != nil {
			with = append(with, "ended "+clock(*e.EndedAt, zone), e.EndDetail)
		}
	case farm.KindEvidenceSheet:
		v.What, v.Href = "Evidence of a finding kept", s.url("/findings/sheets/"+e.ID.String())
		with = append(with, wordFor(causeWords, e.Code), strings.ToLower(stateFor(evidenceStates, e.EndDetail).Word), map[string]string{"raised": "when it was raised"}[e.Detail])
	case farm.KindAdviceDone:
		v.What = map[string]string{"done": "Done as advised", "something_else": "Something else done than advised", "disagreed": "Disagreed with an advice"}[e.Code]
		v.Href = s.url("/first-layers/" + layerPath(e.Marks))
		with = append(with, wordFor(actionWords, e.EndDetail), e.Detail)
	default:
		v.What = sentenceCase(e.Kind)
	}
	if e.Person != "" {
		with = append(with, "by "+e.Person)
	}
	if e.Replaces {
		with = append(with, "replaces a voided entry")
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
