package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"basecourse/internal/assess"
	"basecourse/internal/fault"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// suggestionRows is how many suggestions stand on a page.
const suggestionRows = 50

var suggestionStates = map[string]views.State{
	"suggest": {Code: "suggest", Word: "Suggested"},
	"nothing": {Code: "nothing", Word: "Nothing gained"},
	"little":  {Code: "little", Word: "Too little data", Sign: "unknown"},
}

// everyWords say an interval: "every 8 prints", "never".
func everyWords(n int, unit string) string {
	switch n {
	case 0:
		return "never for this alone"
	case 1:
		return "every " + unit
	}
	return "every " + count(n) + " " + unit + "s"
}

// suggestedWords say what is suggested.
func suggestedWords(a *assess.Advised) string {
	switch {
	case a.Every > 0:
		return verbOf(a) + " " + everyWords(a.Every, unitOf(a))
	case a.Task == upkeep.Probe:
		return "Probe after a swap, service or move only"
	case a.Task == upkeep.Wash:
		return "Wash when it shows only"
	}
	return "Wipe when it shows only"
}

// habitWords say how often it was done.
func habitWords(a *assess.Advised) string {
	unit := unitOf(a)
	if math.IsInf(a.Habit, 1) {
		return "never, as recorded"
	}
	if a.Habit < 1.05 {
		return "every " + unit
	}
	return "every " + figure(a.Habit) + " " + unit + "s"
}

func unitOf(a *assess.Advised) string {
	if a.Task == upkeep.Probe {
		return "start"
	}
	return "print"
}

func verbOf(a *assess.Advised) string {
	switch a.Task {
	case upkeep.Probe:
		return "Probe"
	case upkeep.Wash:
		return "Wash"
	}
	return "Wipe"
}

// nothingWords say why nothing is gained.
func nothingWords(a *assess.Advised) string {
	if a.Task == upkeep.Wash && a.Every == 0 {
		return "wiping restores it"
	}
	return strings.ToLower(verbOf(a)) + " " + everyWords(a.Every, unitOf(a)) + " costs no less"
}

// subjectWords name what a suggestion is for.
func subjectWords(a *assess.Advised) string {
	if a.Kind == "surface" {
		return sentenceCase(wordFor(surfaceWords, a.Subject)) + " plates"
	}
	return a.Subject
}

// unbroken keeps words on one line.
func unbroken(s string) string { return strings.ReplaceAll(s, " ", "\u00a0") }

// washNote says of what a plate's row is that has no interval yet.
func washNote(a *assess.Advised) string {
	if a.Task == upkeep.Probe {
		return ""
	}
	return map[upkeep.Task]string{upkeep.Wash: "on washing", upkeep.Wipe: "on wiping"}[a.Task]
}

// bestWords say between which intervals the best one lies.
func bestWords(a *assess.Advised) string {
	low, high := a.EveryLow, a.EveryHigh
	word := func(n int) string {
		if n == 0 {
			return "never"
		}
		return count(n)
	}
	if low == high {
		return ""
	}
	return "likely " + word(low) + " to " + word(high)
}

// getSuggestions lists the intervals suggested from the records.
func (s *Server) getSuggestions() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "page"); err != nil {
			return err
		}
		page, err := pageNumber(c)
		if err != nil {
			return err
		}
		now := s.now()
		care, err := s.cfg.Policies.Care(c.Request().Context(), now)
		if err != nil {
			return err
		}
		zone, money := care.Zone(), care.Currency()
		list := care.Suggestions()
		here := s.url("/setup/policy-suggestions")
		p := views.PoliciesPage{Shell: withClock(s.shell(c, "Suggested intervals", "/setup"), now, zone),
			Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Policies", Href: s.url("/setup/policies")}},
			Lead:   "How often to probe each printer and to wipe and wash each plate for the least cost in the long run, by what the farm’s own first layers tell: failures, minutes and material priced as in Settings. Most gained first."}
		from := (page - 1) * suggestionRows
		shown := list[min(from, len(list)):min(from+suggestionRows, len(list))]
		if len(list) == 0 {
			p.Empty = "No suggestion yet: no first layer was started in the last four weeks. Suggestions follow from what is recorded of starts, probes and cleanings."
			return render(c, http.StatusOK, views.Policies(p))
		}
		t := views.Table{Caption: "Printers, plates and surfaces", Sub: listSub(page, len(shown), len(list)), Columns: []views.Column{{Word: "For"}, {Word: "Suggested"}, {Word: "As done", Wide: true}, {Word: "Gained, " + money, Number: true}, {Word: "Starts", Number: true, Wide: true}}}
		if len(shown) < len(list) {
			t.Sub = fmt.Sprintf("%s to %s of %s", count(from+1), count(from+len(shown)), count(len(list)))
		}
		t.Sub = strings.TrimPrefix(t.Sub+"; gained in four weeks", "; ")
		for i := range shown {
			a := &shown[i]
			row := views.Row{Cells: []views.Cell{{Text: subjectWords(a), Href: here + "/" + a.Kind + "/" + url.PathEscape(a.Subject)}}}
			switch a.State {
			case "little":
				row.Cells = append(row.Cells, views.Cell{Text: "No suggestion: too little data", Note: washNote(a)}, views.Cell{Text: unbroken(sentenceCase(habitWords(a)))}, views.Cell{Text: "–"})
			case "nothing":
				row.Cells = append(row.Cells, views.Cell{Text: "Nothing gained", Note: nothingWords(a)}, views.Cell{Text: unbroken(sentenceCase(habitWords(a)))}, views.Cell{Text: "–"})
			default:
				row.Cells = append(row.Cells, views.Cell{Text: suggestedWords(a), Note: bestWords(a)}, views.Cell{Text: unbroken(sentenceCase(habitWords(a)))}, views.Cell{Text: rangeWords(a.Gains, a.GainsLow, a.GainsHigh)})
			}
			row.Cells = append(row.Cells, views.Cell{Text: count(a.Starts)})
			t.Rows = append(t.Rows, row)
		}
		if len(t.Rows) > 0 {
			p.Tables = []views.Table{t}
		} else {
			p.Empty = "There are not so many pages."
		}
		p.Pager = listPager(here, "", page, len(shown), len(list), suggestionRows)
		return render(c, http.StatusOK, views.Policies(p))
	}
}

// openSuggestion finds the suggestion an address names.
func (s *Server) openSuggestion(c echo.Context) (*assess.Care, *assess.Advised, error) {
	if err := onlyParams(c); err != nil {
		return nil, nil, err
	}
	tag, err := tagParam(c, "tag")
	if err != nil {
		return nil, nil, err
	}
	care, err := s.cfg.Policies.Care(c.Request().Context(), s.now())
	if err != nil {
		return nil, nil, err
	}
	a := care.Suggestion(c.Param("kind"), tag)
	if a == nil {
		return nil, nil, fault.New(fault.NotFound, "There is no suggestion for %s: nothing was started with it in the last four weeks.", fault.Quote(tag))
	}
	return care, a, nil
}

// takeHref puts an interval into the form of a new policy, with its preview.
func (s *Server) takeHref(a *assess.Advised, every int, why string) string {
	v := url.Values{"reason": {why}}
	switch a.Kind {
	case "printer":
		v.Set("name", "Probing "+a.Subject)
		v.Set("printer", a.Subject)
		if every > 0 {
			v.Set("probe_starts", strconv.Itoa(every))
		} else {
			for _, event := range policyEvents[:3] {
				v.Set(event, "yes")
			}
		}
	case "wash":
		v.Set("name", "Washing "+a.Subject)
		v.Set("plate", a.Subject)
		v.Set("wash_prints", strconv.Itoa(every))
	case "plate":
		v.Set("name", "Wiping "+a.Subject)
		v.Set("plate", a.Subject)
		v.Set("clean_prints", strconv.Itoa(every))
	default:
		v.Set("name", "Wiping "+wordFor(surfaceWords, a.Subject))
		v.Set("surface", a.Subject)
		v.Set("clean_prints", strconv.Itoa(every))
	}
	return s.url("/setup/add-policy?" + v.Encode())
}

// getSuggestion shows one suggestion with its cost curve.
func (s *Server) getSuggestion() echo.HandlerFunc {
	return func(c echo.Context) error {
		care, a, err := s.openSuggestion(c)
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, money, unit := care.Zone(), care.Currency(), unitOf(a)
		verb := verbOf(a)
		p := views.SuggestionPage{Shell: withClock(s.shell(c, verb+" "+subjectWords(a), "/setup"), now, zone), State: suggestionStates[a.State],
			Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Policies", Href: s.url("/setup/policies")}, {Value: "Suggestions", Href: s.url("/setup/policy-suggestions")}}}
		done := fmt.Sprintf("done %s in the last four weeks, over %s; %s graded in twelve weeks", habitWords(a), counted(a.Starts, "start", "starts"), count(a.Graded))
		switch a.State {
		case "little":
			p.Advice = views.Advice{Do: "No suggestion: too little data.", Because: done + ".", Change: "more graded layers, some of them after a longer while without a " + strings.ToLower(verbOf(a)) + "."}
			if a.Task == upkeep.Wash {
				p.Advice.Change = "three washes or more in twelve weeks, with graded layers on it just wiped and long unwashed."
			}
		case "nothing":
			p.Advice = views.Advice{Do: "Leave it as it is: nothing gained.", Because: fmt.Sprintf("%s; %s.", nothingWords(a), done), Sure: bestWords(a)}
		default:
			p.Advice = views.Advice{Do: suggestedWords(a) + ".", Because: done + "."}
			if r := bestWords(a); r != "" {
				p.Advice.Sure = "the best number of " + unit + "s between two is " + r + "."
			}
			p.Says = append(p.Says, tradeWords(a, money))
		}
		if a.State == "suggest" && a.Every > 0 {
			p.Takes = append(p.Takes, views.Link{Word: "Take it over as a policy", Href: s.takeHref(a, a.Every, "suggested from the farm's records: "+strings.ToLower(verb)+" "+everyWords(a.Every, unit))})
		} else if a.State == "suggest" {
			p.Says = append(p.Says, fmt.Sprintf("No wear with %ss was found that is worth the minutes. Upkeep asks for none of it by itself; end the policy that asks, if there is one.", unit))
			if a.Kind == "printer" {
				p.Takes = append(p.Takes, views.Link{Word: "Take it over as a policy", Href: s.takeHref(a, 0, "suggested from the farm's records: no wear with starts")})
			}
		}
		if a.Kind == "printer" {
			m, err := s.meshStudy(ctx, a.Subject, now)
			if err != nil {
				return err
			}
			if m.Known && m.Horizon.ProbeFault {
				p.Says = append(p.Says, "Its probe’s own error fills the tolerance band: see to the probe first. Probing more often does not help.")
			}
			if n := meshEvery(m); n > 0 {
				p.Says = append(p.Says, fmt.Sprintf("Its meshes say more directly how long a probe holds: about %s starts until the bed leaves the tolerance band.", roundStarts(float64(n))))
				if n != a.Every {
					p.Takes = append(p.Takes, views.Link{Word: "Take over what the meshes say: " + everyWords(n, unit), Href: s.takeHref(a, n, "how long its meshes hold")})
				}
			}
		}
		p.Chart = suggestionChart(a, money)
		p.Chart.CSV, p.Chart.CSVWord = s.url("/setup/policy-suggestions/"+a.Kind+"/"+url.PathEscape(a.Subject)+"/curve.csv"), "These figures as CSV"
		return render(c, http.StatusOK, views.Suggestion(p))
	}
}

// meshEvery is after how many starts to probe by a printer's meshes; 0 where they do
// not say, or where the probe itself is at fault.
func meshEvery(m *assess.MeshStudy) int {
	if h := &m.Horizon; !m.Known || h.ProbeFault || !(h.Starts >= 1) || h.Starts > 1000 {
		return 0
	}
	return int(m.Horizon.Starts)
}

// tradeWords say what a suggestion trades against habit, of 100 starts.
func tradeWords(a *assess.Advised, money string) string {
	d, b := &a.Does, &a.Best
	failures, minutes := b.Failures-d.Failures, b.PersonMinutes-d.PersonMinutes
	say := func(x float64, what string) string {
		if math.Abs(x) < 0.05 {
			return "as many " + what
		}
		if x < 0 {
			return figure(-x) + " " + what + " fewer"
		}
		return figure(x) + " " + what + " more"
	}
	return fmt.Sprintf("Of 100 %ss, against what is done: %s, %s. %s a month at this many starts.", unitOf(a), say(failures, "failures"), say(minutes, "person minutes"), sentenceCase(fmt.Sprintf("gained %s (likely %s to %s)", amount(a.Gains, money), amount(a.GainsLow, money), amount(a.GainsHigh, money))))
}

// suggestionChart draws what intervals cost.
func suggestionChart(a *assess.Advised, money string) views.Chart {
	if len(a.Curve) == 0 {
		return views.Chart{}
	}
	unit := unitOf(a)
	out := views.Chart{ID: "cost", Kind: "cost-curve", Title: costTitle(a), Sub: fmt.Sprintf("Cost of 100 %ss beyond those just renewed for, %s, by how often: failures and minutes together.", unit, money),
		Says:  costTitle(a),
		Below: []string{"Line: expected cost, with the 95" + thin + "% band of what is not known of the effect. Filled: the cheapest. The last point is never."},
		Table: views.Table{Caption: "What intervals cost, of 100 " + unit + "s", Columns: []views.Column{{Word: "Interval"}, {Word: "Cost, " + money, Number: true}, {Word: "Likely"}, {Word: "Failures more", Number: true}, {Word: "Person minutes", Number: true, Wide: true}, {Word: "Machine minutes", Number: true, Wide: true}}}}
	most := 0.0
	for _, x := range a.Curve {
		most = math.Max(most, math.Min(x.High, 3*x.Cost))
		out.Table.Rows = append(out.Table.Rows, views.Row{Strong: x.Every == a.Every, Cells: []views.Cell{{Text: sentenceCase(everyWords(x.Every, unit))}, {Text: figure(x.Cost)}, {Text: figure(x.Low) + " to " + figure(x.High)}, {Text: figure(x.Failures)}, {Text: figure(x.PersonMinutes)}, {Text: figure(x.MachineMinutes)}}})
	}
	for _, p := range []plot{widePlot(), narrowPlot()} {
		out.Drawings = append(out.Drawings, costDrawing(a, p, most, money))
	}
	return out
}

func costTitle(a *assess.Advised) string {
	if a.State == "little" {
		return "Too little is known of " + subjectWords(a) + " to tell the cheapest interval"
	}
	return fmt.Sprintf("For %s the cheapest is %s", subjectWords(a), everyWords(a.Every, unitOf(a)))
}

func costDrawing(a *assess.Advised, p plot, most float64, money string) views.Drawing {
	var ticks []float64
	p.yMax, ticks = niceTop(most, 5)
	n := len(a.Curve)
	p.xMax = float64(n)
	p.right = p.w - 12
	d := p.drawing(ticks, figure)
	d.XTitle, d.YTitle = unitOf(a)+"s between two", money+" of 100"
	words := make([]string, n)
	var line, up, down strings.Builder
	for i, x := range a.Curve {
		words[i] = count(x.Every)
		if x.Every == 0 {
			words[i] = "never"
		}
		at, back := float64(i)+0.5, a.Curve[n-1-i]
		pen := "L"
		if i == 0 {
			pen = "M"
		} else {
			line.WriteByte(' ')
		}
		line.WriteString(p.at(at, x.Cost))
		up.WriteString(pen + p.at(at, x.High))
		down.WriteString("L" + p.at(float64(n-1-i)+0.5, back.Low))
		dot := views.ChartDot{X: place(p.x(at)), Y: place(p.y(x.Cost)), Says: sentence(fmt.Sprintf("%s: %s %s of 100, likely %s to %s; %s failures more, %s person minutes", everyWords(x.Every, unitOf(a)), figure(x.Cost), money, figure(x.Low), figure(x.High), figure(x.Failures), figure(x.PersonMinutes)))}
		if x.Every == a.Every && a.State != "little" {
			dot.Kind = "beyond"
		}
		d.Dots = append(d.Dots, dot)
	}
	d.Curve, d.Band = line.String(), up.String()+down.String()+"Z"
	d.XTicks = p.xTicks(words)
	return d
}

// getSuggestionCSV gives the cost curve's figures.
func (s *Server) getSuggestionCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		_, a, err := s.openSuggestion(c)
		if err != nil {
			return err
		}
		rows := [][]string{{"every", "cost", "cost_low", "cost_high", "failures", "failures_low", "failures_high", "person_minutes", "machine_minutes"}}
		for _, x := range a.Curve {
			every := strconv.Itoa(x.Every)
			if x.Every == 0 {
				every = "never"
			}
			rows = append(rows, []string{every, num(x.Cost), num(x.Low), num(x.High), num(x.Failures), num(x.FailuresLow), num(x.FailuresHigh), num(x.PersonMinutes), num(x.MachineMinutes)})
		}
		return writeCSV(c, "interval-"+a.Kind+"-"+a.Subject+".csv", rows)
	}
}
