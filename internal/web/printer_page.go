package web

import (
	"net/url"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getPrinter() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.openThing(c, "printer")
		if err != nil {
			return err
		}
		stands, found, err := s.stands(t.ctx, t.frame, t.now, t.tag)
		if err != nil {
			return err
		}
		if len(stands) == 0 {
			return fault.New(fault.NotFound, "There is no printer %s.", fault.Quote(t.tag))
		}
		x := stands[0]
		t.of = store.Thing{Printer: x.row.ID}
		p := &t.page
		p.State, p.Why, p.Facts = printerStates[x.state], x.why, s.printerFacts(&x, t.zone, t.end)
		if x.next != "" {
			p.Advice = views.Advice{Do: sentence(x.next), Tone: printerStates[x.state].Tone}
			// Why it is watched is no reason to start as usual.
			if x.next != startAsUsual {
				p.Advice.Because, p.Why = lowerFirst(x.why), ""
			}
		}
		p.Drawn = drawnToSay(x.drawn)
		if x.row.RetiredAt == nil {
			p.Actions = s.printerActions(t.tag, x.row.HeldAt != nil)
		}
		study, err := s.meshStudy(t.ctx, t.tag, t.now)
		if err != nil {
			return err
		}
		part := s.meshPart(study, t.zone)
		p.Meshes = &part
		if x.row.RetiredAt == nil {
			place := upkeep.Place{Printer: t.tag, Plate: x.row.Plate}
			if err := s.policyFact(c, t.now, place, &p.Facts, upkeep.AsksProbe, upkeep.AsksClean, upkeep.AsksWash); err != nil {
				return err
			}
			p.RiskLead, p.Risk = riskPart(t.tag, found, t.zone)
		}
		for _, f := range found.about(nil, "printer", t.tag) {
			p.Findings = append(p.Findings, s.findingRow(f))
		}
		if p.Heights, err = s.printerHeightsPart(t.ctx, s.heightsBeside(t.ctx, t.now, t.frame.Version), &x, t.now); err != nil {
			return err
		}
		if p.Photos, err = s.printerPhotos(t.ctx, t.tag, t.zone); err != nil {
			return err
		}
		return s.showThing(c, t)
	}
}

// printerActions are the acts somebody at the printer may want, as far as their
// pages are there.
func (s *Server) printerActions(tag string, held bool) []views.Link {
	with := "?printer=" + url.QueryEscape(tag)
	acts := []act{{"Grade", "/grade/:tag", "/grade/" + url.PathEscape(tag), true}}
	if held {
		acts = append(acts, act{"Release " + tag, "/upkeep/release", "/upkeep/release" + with, false})
	} else {
		acts = append(acts, act{"Hold " + tag, "/upkeep/hold", "/upkeep/hold" + with, false})
	}
	return s.links(append(acts,
		act{"Log a probe", "/upkeep/probe", "/upkeep/probe" + with, false},
		act{"Log a cleaning", "/upkeep/clean", "/upkeep/clean" + with, false},
		act{"Log a fitting", "/upkeep/fit", "/upkeep/fit" + with, false},
		act{"Plate without a tag", "/upkeep/no-tag", "/upkeep/no-tag" + with, false},
		act{"Log an offset change", "/upkeep/offset", "/upkeep/offset" + with, false},
		act{"Log a service", "/upkeep/service", "/upkeep/service" + with, false},
		act{"Print a coupon", "/printers/:tag/coupon", "/printers/" + url.PathEscape(tag) + "/coupon", false}))
}

func (s *Server) printerFacts(x *stand, zone *time.Location, end time.Time) []views.Fact {
	f := x.row
	facts := []views.Fact{}
	if f.Name != "" {
		facts = append(facts, views.Fact{Word: "Name", Value: f.Name})
	}
	facts = append(facts, views.Fact{Word: "Bay", Value: orNoRecord(f.Bay)})
	plate := views.Fact{Word: "Plate", Value: orNoRecord(f.Plate)}
	if f.Plate != "" {
		plate.Href = s.url("/plates/" + url.PathEscape(f.Plate))
		if f.FittedSince != nil {
			plate.Note = "last seen here " + ago(*f.FittedSince, end)
		}
	}
	facts = append(facts, plate, cleanedFact(f.LastCleaned, f.CleanMethod, f.SinceClean, end))
	probe := views.Fact{Word: "Probed", Value: "no record"}
	if f.LastProbe != nil {
		probe.Value = ago(*f.LastProbe, end)
		probe.Note = clock(*f.LastProbe, zone)
		if f.SinceProbe != nil {
			probe.Note = counted(*f.SinceProbe, "start", "starts") + " since"
		}
	}
	facts = append(facts, probe, views.Fact{Word: "Probes recorded", Value: map[string]string{"all": "all of them", "some": "some of them", "none": "none of them"}[f.ProbingRecorded]})
	if f.LastStart != nil {
		facts = append(facts, views.Fact{Word: "Last start", Value: clock(*f.LastStart, zone), Href: s.url("/first-layers/" + f.LastID), Note: gradeWord(f.LastGrade)})
	}
	if f.InServiceFrom != nil {
		facts = append(facts, views.Fact{Word: "In service from", Value: clock(*f.InServiceFrom, zone)})
	}
	if f.RetiredAt != nil {
		facts = append(facts, views.Fact{Word: "Retired", Value: clock(*f.RetiredAt, zone)})
	}
	return facts
}

// printerKept tells what was measured, set and held lately.
func (s *Server) printerKept(latest map[string][]store.HistoryEntry, zone *time.Location) []views.Table {
	probes := keptTable("Probes", "When", "What", "Mesh", "Range", "Plate", "Bed")
	for _, e := range inForce(latest["probe"]) {
		mesh, spread, bed := "none kept", "–", "no record"
		if e.Columns != nil && e.Rows != nil {
			mesh = count(*e.Columns) + " × " + count(*e.Rows)
		}
		if e.RangeMM != nil {
			spread = mm(*e.RangeMM)
		}
		if e.BedTempC != nil {
			bed = figure(*e.BedTempC) + thin + "°C"
		}
		plate := views.Cell{Text: orNoRecord(e.Other), Note: sideWords(e.Side, e.Turned)}
		if e.Other != "" {
			plate.Href = s.url("/plates/" + url.PathEscape(e.Other))
		}
		probes.Rows = append(probes.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, zone), Href: s.url("/probes/" + e.ID.String())}, {Text: extentWord(e.Code), Note: e.EndDetail}, {Text: mesh}, {Text: spread}, plate, {Text: bed}}})
	}
	probes.Sub += "; range: highest minus lowest point of the mesh"
	offsets := keptTable("Offset changes", "When", "Offset", "By", "Why")
	for _, e := range inForce(latest["offset_change"]) {
		offsets.Rows = append(offsets.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, zone)}, {Text: offsetWords(e.FromMM, e.ToMM)}, {Text: orNoRecord(e.Person)}, {Text: orNoRecord(e.Detail)}}})
	}
	services := keptTable("Services", "When", "Work", "By", "Note")
	for _, e := range inForce(latest["service"]) {
		services.Rows = append(services.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, zone)}, {Text: wordFor(workWords, e.Code)}, {Text: orNoRecord(e.Person)}, {Text: orNoRecord(e.Detail)}}})
	}
	return withRows(probes, offsets, services, holdsTable(latest["hold"], zone))
}

func extentWord(code string) string {
	switch code {
	case "part":
		return "Probed in part"
	case "zero":
		return "Zero taken"
	default:
		return "Probed"
	}
}
