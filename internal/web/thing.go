package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// thingWindow is what rates on a printer's or plate's page cover: the same 84
// days as the findings.
const thingWindow = 84 * 24 * time.Hour

// historyPage is how many lines of a history stand on one page.
const historyPage = 50

func (s *Server) getPrinter() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before"); err != nil {
			return err
		}
		before, err := readCursor(c.QueryParam("before"), "before")
		if err != nil {
			return err
		}
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		stands, _, err := s.stands(ctx, frame, now, tag)
		if err != nil {
			return err
		}
		if len(stands) == 0 {
			return fault.New(fault.NotFound, "There is no printer %s.", fault.Quote(tag))
		}
		x := stands[0]
		end, zone := windowEnd(frame, now), frame.Settings.Zone()
		byPlate, byMaterial, err := s.store.Splits(ctx, x.row.ID, 0, end.Add(-thingWindow), end)
		if err != nil {
			return err
		}
		entries, err := s.store.PrinterHistory(ctx, x.row.ID, before, historyPage+1)
		if err != nil {
			return err
		}
		p := views.ThingPage{
			Shell: withClock(s.shell(c, "Printer "+tag, "/floor"), now, zone), Kind: "printer", Tag: tag,
			State: printerStates[x.state], Why: x.why, Facts: s.printerFacts(&x, zone, end),
		}
		p.DataThrough = clock(end, zone)
		if x.next != "" {
			p.Advice = views.Advice{Do: sentence(x.next), Because: lowerFirst(x.why), Tone: printerStates[x.state].Tone}
			p.Why = ""
		}
		s.fillRates(&p, byMaterial, end, zone)
		p.By = withRows(
			s.splitTable("First layers by plate", "Plate", byPlate, "/plates/"),
			s.splitTable("First layers by material", "Material", byMaterial, ""))
		for _, f := range x.findings {
			if f.Kind == "printer" {
				p.Findings = append(p.Findings, s.findingRow(f))
			}
		}
		s.fillHistory(&p, entries, zone, "/printers/", "/plates/", before)
		return render(c, http.StatusOK, views.Thing(p))
	}
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

func cleanedFact(at *time.Time, method string, since *int, end time.Time) views.Fact {
	f := views.Fact{Word: "Cleaned", Value: "no record"}
	if at != nil {
		f.Value = wordFor(methodWords, method) + " " + ago(*at, end)
		if since != nil {
			f.Note = counted(*since, "print", "prints") + " since"
		}
	}
	return f
}

func gradeWord(grade string) string { return strings.ToLower(stateFor(gradeStates, grade).Word) }

func orNoRecord(s string) string {
	if s == "" {
		return "no record"
	}
	return s
}

func lowerFirst(s string) string {
	r := []rune(s)
	if len(r) > 1 && 'A' <= r[0] && r[0] <= 'Z' && ('a' <= r[1] && r[1] <= 'z' || r[1] == ' ') {
		r[0] += 'a' - 'A'
	}
	return string(r)
}

func (s *Server) getPlate() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before"); err != nil {
			return err
		}
		before, err := readCursor(c.QueryParam("before"), "before")
		if err != nil {
			return err
		}
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		end, zone := windowEnd(frame, now), frame.Settings.Zone()
		facts, err := s.store.PlateFacts(ctx, tag, end.Add(-floorWindow), end)
		if err != nil {
			return err
		}
		found, err := s.latestFindings(ctx, now)
		if err != nil {
			return err
		}
		byPrinter, byMaterial, err := s.store.Splits(ctx, 0, facts.ID, end.Add(-thingWindow), end)
		if err != nil {
			return err
		}
		entries, err := s.store.PlateHistory(ctx, facts.ID, before, historyPage+1)
		if err != nil {
			return err
		}
		p := views.ThingPage{Shell: withClock(s.shell(c, "Plate "+tag, "/floor"), now, zone), Kind: "plate", Tag: tag, Facts: s.plateFacts(facts, zone, end)}
		p.DataThrough = clock(end, zone)
		for _, f := range found.Items {
			if f.Kind == "plate" && f.Subject == tag {
				p.Findings = append(p.Findings, s.findingRow(f))
				plateStand(&p, facts, f, found.GapSplit)
			}
		}
		if p.State.Word == "" {
			plateStand(&p, facts, Finding{}, found.GapSplit)
		}
		s.fillRates(&p, byMaterial, end, zone)
		p.By = withRows(
			s.splitTable("First layers by printer", "Printer", byPrinter, "/printers/"),
			s.splitTable("First layers by material", "Material", byMaterial, ""))
		s.fillHistory(&p, entries, zone, "/plates/", "/printers/", before)
		return render(c, http.StatusOK, views.Thing(p))
	}
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
	facts := []views.Fact{{Word: "Surface", Value: wordFor(surfaceWords, f.Surface)}}
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

// fillRates sums a split into one rate with its interval and coverage.
func (s *Server) fillRates(p *views.ThingPage, splits []store.Split, end time.Time, zone *time.Location) {
	var all store.Split
	for _, x := range splits {
		all.Started += x.Started
		all.Graded += x.Graded
		all.Failures += x.Failures
	}
	w := stats.Wilson(all.Failures, all.Graded, 0.95)
	r := views.Rate{Label: "Failed, last 84 days", Coverage: sentence(coverage(all.Graded, all.Started))}
	r.Of, r.How = rateWords(all.Failures, all.Graded, w.Low, w.High)
	p.Rates = []views.Rate{r}
	if all.Graded < rateNeeds {
		p.RatesSub = counted(all.Graded, "graded layer", "graded layers") + " so far. A rate needs about " + strconv.Itoa(rateNeeds) + "."
		p.RatesSub = strings.ToUpper(p.RatesSub[:1]) + p.RatesSub[1:]
		return
	}
	p.RatesSub = "Failures of graded first layers in the 84 days up to " + clock(end, zone) + ", as counted."
	if p.Kind == "plate" {
		p.RatesSub += " Layers whose record names no plate are left out; findings place them by the fittings."
	}
}

// rateNeeds is how many graded layers a rate needs before it says much.
const rateNeeds = 20

// withRows leaves out tables that would be a head alone.
func withRows(tables ...views.Table) []views.Table {
	return slices.DeleteFunc(tables, func(t views.Table) bool { return len(t.Rows) == 0 })
}

func (s *Server) splitTable(caption, first string, splits []store.Split, path string) views.Table {
	t := views.Table{Caption: caption, Sub: "Last 84 days, most layers first", Columns: []views.Column{{Word: first}, {Word: "Failed of graded, likely range"}, {Word: "Graded of started"}}}
	for i, x := range splits {
		if i == splitRows {
			t.Sub += fmt.Sprintf("; %s more not shown", count(len(splits)-splitRows))
			break
		}
		w := stats.Wilson(x.Failures, x.Graded, 0.95)
		of, how := rateWords(x.Failures, x.Graded, w.Low, w.High)
		head := views.Cell{Text: x.By}
		switch {
		case x.By == "":
			head.Text = "no record"
		case path != "":
			head.Href = s.url(path + url.PathEscape(x.By))
		}
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{head, {Text: of, Note: how}, {Text: count(x.Graded) + " of " + count(x.Started)}}})
	}
	return t
}

// splitRows is how many lines of a split are shown.
const splitRows = 12

// readCursor reads "MICROSECONDS.UUID" from an address; "" is the beginning.
func readCursor(text, name string) (store.Cursor, error) {
	if text == "" {
		return store.Cursor{}, nil
	}
	micros, id, ok := strings.Cut(text, ".")
	t, err := strconv.ParseInt(micros, 10, 64)
	u, err2 := uuid.FromString(id)
	if !ok || err != nil || err2 != nil || t < -62135596800000000 || t > 253402300799999999 {
		return store.Cursor{}, badRequest(fault.Problem{Column: name, Found: text, Expected: "a place as given in “next” or by the page's own links"})
	}
	return store.Cursor{At: time.UnixMicro(t).UTC(), ID: u}, nil
}

func cursorText(at time.Time, id uuid.UUID) string {
	return strconv.FormatInt(at.UnixMicro(), 10) + "." + id.String()
}
