package web

import (
	"fmt"
	"math"
	"net/url"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getPlate() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.openThing(c, "plate")
		if err != nil {
			return err
		}
		facts, err := s.store.PlateFacts(t.ctx, t.tag, t.now.Add(-floorWindow), t.now)
		if err != nil {
			return err
		}
		t.of = store.Thing{Plate: facts.ID}
		found, err := s.latestFindings(t.ctx, t.now, t.frame.Version)
		if err != nil {
			return err
		}
		p := &t.page
		p.Facts = s.plateFacts(facts, t.zone, t.now)
		for _, f := range found.Items {
			if f.Kind == "plate" && f.Subject == t.tag {
				p.Findings = append(p.Findings, s.findingRow(f))
				plateStand(p, facts, f, found.GapSplit)
			}
		}
		if p.State.Word == "" {
			plateStand(p, facts, Finding{}, found.GapSplit)
		}
		if facts.RetiredAt == nil {
			place := upkeep.Place{Plate: t.tag, Printer: facts.Printer, Surface: facts.Surface}
			if err := s.policyFact(c, t.now, place, &p.Facts, upkeep.AsksClean, upkeep.AsksWash); err != nil {
				return err
			}
			p.Actions = s.plateActions(t.tag, facts.HeldAt != nil)
		}
		p.Heights = s.plateHeights(s.heightsBeside(t.ctx, t.now, t.frame.Version), t.tag)
		return s.showThing(c, t)
	}
}

// plateActions are the acts somebody with the plate in hand may want, as far as
// their pages are there.
func (s *Server) plateActions(tag string, held bool) []views.Link {
	with := "?plate=" + url.QueryEscape(tag)
	acts := []act{{"Log a cleaning", "/upkeep/clean", "/upkeep/clean" + with, true},
		{"Log a fitting", "/upkeep/fit", "/upkeep/fit" + with, false},
		{"Log where it went", "/upkeep/state", "/upkeep/state" + with, false},
		{"Mark it", "/plates/:tag/mark", "/plates/" + url.PathEscape(tag) + "/mark", false},
		{"Print its label", "/setup/labels", "/setup/labels?tags=" + url.QueryEscape(tag), false}}
	if farm.IsUntagged(tag) {
		acts = append([]act{{"Join it with its own tag", "/upkeep/join", "/upkeep/join" + with, true}}, acts...)
	}
	if held {
		return s.links(append(acts, act{"Release " + tag, "/upkeep/release", "/upkeep/release" + with, false}))
	}
	return s.links(append(acts, act{"Hold " + tag, "/upkeep/hold", "/upkeep/hold" + with, false}))
}

// plateStand says how a plate stands and what to do.
func plateStand(p *views.ThingPage, f store.PlateFacts, x Finding, gapSplit float64) {
	p.State = stateFor(plateStateStates, f.State)
	switch {
	case f.RetiredAt != nil:
		p.State, p.Why = plateStateStates["retired"], sentence(f.StateReason)
	case f.HeldAt != nil:
		p.State = printerStates["hold"]
		p.Advice = views.Advice{Tone: "act", Do: "Do not print on it. Settle the reason, then release " + f.Plate + ".", Because: strings.TrimPrefix(withReason(f.HeldReason), ": ")}
	case x.State == "raised":
		p.State = views.State{Code: "watch", Word: "Watch", Sign: "half", Tone: "soon"}
		do := fmt.Sprintf("Wash %s before it reaches %s prints.", f.Plate, figure(math.Floor(gapSplit)+1))
		if f.SinceClean != nil && float64(*f.SinceClean) > gapSplit {
			do = fmt.Sprintf("Wash %s: %s since it was cleaned.", f.Plate, counted(*f.SinceClean, "print", "prints"))
		}
		p.Advice = views.Advice{Tone: "act", Do: do,
			Because: "its failures go with long cleaning gaps: about " + perHundred(x.Avoidable) + " of 100 avoidable."}
	case f.State != "in_use":
		p.Why = sentence(f.StateReason)
	case f.SinceClean == nil:
		p.Why = "No record of a cleaning."
	default:
		p.Why = sentence(cleanedWords(f.Method, *f.SinceClean))
	}
}

func (s *Server) plateFacts(f store.PlateFacts, zone *time.Location, end time.Time) []views.Fact {
	facts := []views.Fact{{Word: "Tag", Value: farm.LabelTag(f.Plate), Note: "typed as " + farm.ShortTag(f.Plate)}, {Word: "Surface", Value: wordFor(surfaceWords, f.Surface)}}
	if f.SizeXMM != nil && f.SizeYMM != nil {
		facts = append(facts, views.Fact{Word: "Size", Value: wholeMM(*f.SizeXMM) + " × " + wholeMM(*f.SizeYMM) + thin + "mm"})
	}
	on := views.Fact{Word: "On printer", Value: orNoRecord(f.Printer)}
	if f.Printer != "" {
		on.Href = s.url("/printers/" + url.PathEscape(f.Printer))
	}
	facts = append(facts, on, cleanedFact(f.LastCleaned, f.Method, f.SinceClean, end))
	if f.InServiceFrom != nil {
		facts = append(facts, views.Fact{Word: "In service from", Value: clock(*f.InServiceFrom, zone)})
	}
	if f.RetiredAt != nil {
		facts = append(facts, views.Fact{Word: "Retired", Value: clock(*f.RetiredAt, zone)})
	}
	return facts
}

// plateKept tells how the plate was cared for and held lately.
func plateKept(latest map[string][]store.HistoryEntry, zone *time.Location) []views.Table {
	cleanings := keptTable("Cleanings", "When", "How", "With", "By")
	for _, e := range inForce(latest["cleaning"]) {
		cleanings.Rows = append(cleanings.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, zone)}, {Text: wordFor(methodWords, e.Code), Note: sideWords(e.Side, "")},
			{Text: orNoRecord(strings.ReplaceAll(e.Detail, "_", " "))}, {Text: orNoRecord(e.Person)}}})
	}
	states := keptTable("Put away and taken up", "When", "State", "By", "Why")
	for _, e := range inForce(latest["plate_state"]) {
		states.Rows = append(states.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, zone)}, {Text: stateFor(plateStateStates, e.Code).Word}, {Text: orNoRecord(e.Person)}, {Text: orNoRecord(e.Detail)}}})
	}
	return withRows(cleanings, states, holdsTable(latest["hold"], zone))
}
