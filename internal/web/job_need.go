package web

import (
	"fmt"
	"math"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/planning"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// usualConfidence is how sure it shall be that enough are good, unless asked
// otherwise (data contract, section 5).
const usualConfidence = 0.95

// machinesShown is how many printers stand on a job's page at a time.
const machinesShown = 20

// jobAsk is what is asked of a job's page.
type jobAsk struct {
	confidence float64
	want       planning.Want
	ran        bool       // only printers that ran the job's material lately
	typed      url.Values // of the form
	machines   int        // page
	problems   []views.FormProblem
}

var confidences = []string{"80", "90", "95", "99"}

func readJobAsk(c echo.Context) (q jobAsk, err error) {
	nan := math.NaN()
	q = jobAsk{confidence: usualConfidence, want: planning.Want{XMM: nan, YMM: nan}, typed: url.Values{}, machines: 1}
	if text := c.QueryParam("confidence"); text != "" {
		if !slices.Contains(confidences, text) {
			return q, badRequest(fault.Problem{Column: "confidence", Found: text, Expected: strings.Join(confidences, ", ")})
		}
		x, _ := strconv.ParseFloat(text, 64)
		q.confidence = x / 100
		q.typed.Set("confidence", text)
	}
	for _, x := range []struct {
		name, word string
		to         *float64
	}{{"size_x_mm", "Width", &q.want.XMM}, {"size_y_mm", "Depth", &q.want.YMM}} {
		text := strings.TrimSpace(c.QueryParam(x.name))
		if text == "" {
			continue
		}
		q.typed.Set(x.name, text)
		n, err := strconv.ParseFloat(tidyNumber(text), 64)
		if err != nil || !(n >= 1 && n <= 2000) {
			q.problems = append(q.problems, views.FormProblem{Field: x.name, Words: x.word + " must be between 1 and 2000 mm."})
			continue
		}
		*x.to = n
	}
	if text := c.QueryParam("surface"); text != "" {
		if !slices.Contains(farm.Surfaces, text) {
			return q, badRequest(fault.Problem{Column: "surface", Found: text, Expected: "one of the surfaces, or nothing"})
		}
		q.want.Surface = text
		q.typed.Set("surface", text)
	}
	switch text := c.QueryParam("material"); text {
	case "":
	case "ran":
		q.ran = true
		q.typed.Set("material", text)
	default:
		return q, badRequest(fault.Problem{Column: "material", Found: text, Expected: "ran, or nothing"})
	}
	if text := c.QueryParam("machines"); text != "" {
		if q.machines, err = strconv.Atoi(text); err != nil || q.machines < 1 || q.machines > 100_000 {
			return q, badRequest(fault.Problem{Column: "machines", Found: text, Expected: "a page's number from 1"})
		}
	}
	return q, nil
}

// jobNeed says how many more to start, on what, and what is on hold.
func (s *Server) jobNeed(f *jobFarm, j *farm.Job, n store.JobCount, q jobAsk) *views.JobNeed {
	here := s.url("/jobs/" + url.PathEscape(j.Job))
	need := &views.JobNeed{Action: here + "#need", Problems: q.problems}
	need.Fields = q.fields(j.Material)
	if q.ran {
		q.want.Material = j.Material
	}
	fit, not := planning.Eligible(q.want, f.machines(j.Material))
	s.holdsOf(need, f)
	money := f.frame.Settings.Text("currency")
	s.needWords(need, f, j, n, fit, q.confidence, money)
	s.fitTable(need, f, j, fit, q, here, money)
	s.notTable(need, not)
	return need
}

func (q *jobAsk) fields(material string) []views.Field {
	wrong := func(name string) string {
		for _, p := range q.problems {
			if p.Field == name {
				return p.Words
			}
		}
		return ""
	}
	sure := views.Field{Name: "confidence", Label: "How sure that enough are good", Kind: "select"}
	for _, x := range confidences {
		chosen := x == q.typed.Get("confidence") || q.typed.Get("confidence") == "" && x == "95"
		sure.Options = append(sure.Options, views.Option{Value: x, Word: x + " in 100", Chosen: chosen})
	}
	surface := views.Field{Name: "surface", Label: "Surface it needs", Kind: "select", Optional: true, Options: []views.Option{{Word: "any", Chosen: q.want.Surface == ""}}}
	for _, x := range farm.Surfaces {
		surface.Options = append(surface.Options, views.Option{Value: x, Word: wordFor(surfaceWords, x), Chosen: x == q.want.Surface})
	}
	size := func(name, label string) views.Field {
		return views.Field{Name: name, Label: label, Kind: "number", Unit: "mm", Optional: true, Value: q.typed.Get(name), Wrong: wrong(name)}
	}
	list := []views.Field{sure, size("size_x_mm", "Width of the print"), size("size_y_mm", "Depth of the print"), surface}
	if material != "" {
		list = append(list, views.Field{Name: "material", Label: "Printers", Kind: "select", Optional: true,
			Options: []views.Option{{Word: "any", Chosen: !q.ran}, {Value: "ran", Word: "only those that ran " + material + " lately", Chosen: q.ran}}})
	}
	return list
}

func (s *Server) needWords(need *views.JobNeed, f *jobFarm, j *farm.Job, n store.JobCount, fit []planning.Match, confidence float64, money string) {
	want, good := needed(j), n.Graded-n.Failures
	if want == 0 {
		need.Do = "How many are needed is not recorded."
		need.Because = "Add the quantity or the plates needed to this job, and the number to start stands here."
		return
	}
	facts := func(word, value, note string) {
		need.Facts = append(need.Facts, views.Fact{Word: word, Value: value, Note: note})
	}
	facts("Good so far", count(good)+" of "+count(want), "")
	facts("Started, not graded yet", count(n.Open), "each counts by its chance; stopped and lost ones do not")
	if good >= want {
		need.Do, need.Because = "Enough are good. Start none.", count(good)+" good of "+count(want)+" needed."
		return
	}
	facts("Still needed", count(want-good), "")
	o := f.order(j, n, fit, confidence)
	a := planning.HowMany(o)
	switch {
	case len(fit) == 0:
		need.Do, need.Because = "No printer may start this job now.", "Below stands why for each."
		return
	case len(o.Next) == 0:
		need.Do, need.Because = "Too little is graded to say how many to start.", "Grade first layers, and their chance of failure tells."
		return
	case a.Cannot:
		need.Do = "More than " + count(planning.MostStarts) + " starts would be needed."
		need.Because = "Part the job into smaller ones."
		return
	}
	starts := func(x planning.Number) string {
		return "Start " + count(x.Start) + " more."
	}
	need.Do = starts(a.Number)
	if a.Start == 0 {
		need.Do = "Start no more for now."
	}
	need.Because = fmt.Sprintf("Then the chance that enough are good is %s in 100 (likely %s to %s), with the prep named below done before each start.",
		inHundred(a.Enough), inHundred(a.EnoughLow), inHundred(a.EnoughHigh))
	if farm.Known(j.HoursPerPlate) {
		facts("Costs least", count(a.Cheapest.Start)+" more", fmt.Sprintf("spares and what is made again: about %.2f %s (likely %.2f to %.2f); enough with %s in 100",
			a.Cheapest.Cost, money, a.Cheapest.CostLow, a.Cheapest.CostHigh, inHundred(a.Cheapest.Enough)))
		if a.Start != a.Cheapest.Start {
			facts("Being that sure", fmt.Sprintf("%.2f %s", a.Cost, money), fmt.Sprintf("likely %.2f to %.2f; about %.2f more than the least", a.CostLow, a.CostHigh, a.Cost-a.Cheapest.Cost))
		}
	} else {
		facts("Costs least", "no record", "the time of one plate is not recorded, so spares have no price")
	}
	need.Curve = views.Table{Caption: "If so many more are started", Sub: "chances in 100", Columns: []views.Column{{Word: "Start", Number: true}, {Word: "Enough are good", Number: true}}}
	priced := farm.Known(j.HoursPerPlate)
	if priced {
		need.Curve.Columns = append(need.Curve.Columns, views.Column{Word: "Spares and rework, " + money, Number: true})
	}
	// Around what is advised: three below to three above.
	low, high := min(a.Start, a.Cheapest.Start)-3, max(a.Start, a.Cheapest.Start)+3
	for _, x := range a.Curve {
		if x.Start < low || x.Start > high {
			continue
		}
		row := views.Row{Strong: x.Start == a.Start, Cells: []views.Cell{{Text: count(x.Start)}, {Text: fmt.Sprintf("%s (%s to %s)", inHundred(x.Enough), inHundred(x.EnoughLow), inHundred(x.EnoughHigh))}}}
		if priced {
			row.Cells = append(row.Cells, views.Cell{Text: fmt.Sprintf("%.2f (%.2f to %.2f)", x.Cost, x.CostLow, x.CostHigh)})
		}
		need.Curve.Rows = append(need.Curve.Rows, row)
	}
	if len(need.Curve.Rows) > 25 {
		need.Curve.Rows = need.Curve.Rows[:25]
	}
}

// startMore says in a list how many more of a job to start.
func (f *jobFarm) startMore(j *farm.Job, n store.JobCount) views.Cell {
	switch {
	case setupJobs.over(j, f.now):
		return views.Cell{Text: "–"}
	case needed(j) == 0:
		return views.Cell{Text: "no record", Note: "of how many are needed"}
	case n.Graded-n.Failures >= needed(j):
		return views.Cell{Text: "0", Note: "enough are good"}
	}
	nan := math.NaN()
	fit, _ := planning.Eligible(planning.Want{XMM: nan, YMM: nan}, f.machines(j.Material))
	o := f.order(j, n, fit, usualConfidence)
	a := planning.HowMany(o)
	switch {
	case len(fit) == 0:
		return views.Cell{Text: "–", Note: "no printer may start it"}
	case len(o.Next) == 0:
		return views.Cell{Text: "–", Note: "too little is graded to say"}
	case a.Cannot:
		return views.Cell{Text: "over " + count(planning.MostStarts)}
	}
	return views.Cell{Text: count(a.Start), Note: inHundred(a.Enough) + " in 100"}
}

// holdWords counts what is on hold; "" nothing.
func (f *jobFarm) holdWords() string {
	printers, plates := 0, 0
	for i := range f.rows {
		printers += btoi(f.rows[i].HeldAt != nil)
		plates += btoi(f.rows[i].PlateHeldAt != nil)
	}
	var parts []string
	if printers > 0 {
		parts = append(parts, counted(printers, "printer", "printers"))
	}
	if plates > 0 {
		parts = append(parts, counted(plates, "plate on a printer", "plates on printers"))
	}
	if len(parts) == 0 {
		return ""
	}
	return sentenceCase(strings.Join(parts, " and ")) + " must not start jobs; not counted on below."
}

var prepWords = map[string]string{"": "nothing first", "clean": "clean the plate", "probe": "probe", "both": "clean and probe"}

func (s *Server) fitTable(need *views.JobNeed, f *jobFarm, j *farm.Job, fit []planning.Match, q jobAsk, here, money string) {
	from := min((q.machines-1)*machinesShown, len(fit))
	shown := fit[from:min(from+machinesShown, len(fit))]
	need.FitLead = fmt.Sprintf("%s may start this job, least expected cost first: what is done before a start, and a failure by its chance.", sentenceCase(counted(len(fit), "printer", "printers")))
	need.Money = money
	link := func(page int) string {
		v := url.Values{}
		for k := range q.typed {
			v.Set(k, q.typed.Get(k))
		}
		if page > 1 {
			v.Set("machines", strconv.Itoa(page))
		}
		if len(v) == 0 {
			return here + "#fit"
		}
		return here + "?" + v.Encode() + "#fit"
	}
	need.Pager.Plain = true
	if q.machines > 1 {
		need.Pager.Newer = link(q.machines - 1)
	}
	if from+len(shown) < len(fit) {
		need.Pager.Older = link(q.machines + 1)
	}
	for i := range shown {
		m := &shown[i]
		row := views.JobMachine{Printer: m.Machine.Printer, Href: s.url("/printers/" + url.PathEscape(m.Machine.Printer)), Plate: m.Machine.Plate,
			Now: "no record", After: "–", Do: "–", Cost: "–", Ready: f.ready(m)}
		if !math.IsNaN(m.Cost) {
			row.Now = Chance(m.Machine.Preps[0].Odds).words()
			row.Do = prepWords[m.Best.Do]
			if m.Best.Do != "" {
				row.After = Chance(m.Best.Odds).words()
			}
			odds := m.Best.Odds
			row.Cost = fmt.Sprintf("%.2f (%.2f to %.2f)", m.Cost, m.Best.Cost+odds.Low*m.Machine.FailCost, m.Best.Cost+odds.High*m.Machine.FailCost)
		}
		if j.Material != "" {
			switch r, same, known := f.risk(m.Machine.Printer, j.Material); {
			case !known && !math.IsNaN(m.Cost):
				row.Note = "the farm's rate: nothing of its own yet"
			case known && !same:
				row.Note = "chances with " + orNoRecord(r.Material) + ": it ran no " + j.Material + " lately"
			}
		}
		need.Fit = append(need.Fit, row)
	}
}

// holdsOf lists the holds in force: they stand above everything else.
func (s *Server) holdsOf(need *views.JobNeed, f *jobFarm) {
	const most = 20
	all := 0
	add := func(kind, tag, why string) {
		if all++; all > most {
			return
		}
		path := "/printers/"
		if kind == "plate" {
			path = "/plates/"
		}
		need.Holds = append(need.Holds, views.JobHold{Kind: kind, Tag: tag, Href: s.url(path + url.PathEscape(tag)), Why: orNoRecord(why)})
	}
	for i := range f.rows {
		if x := &f.rows[i]; x.HeldAt != nil {
			add("printer", x.Printer, x.HeldReason)
		}
		if x := &f.rows[i]; x.PlateHeldAt != nil {
			add("plate", x.Plate, x.PlateReason)
		}
	}
	if all > most {
		need.HoldsMore, need.HoldsHref = "and "+count(all-most)+" more", s.url("/upkeep?list=holds")
	}
}

func (s *Server) notTable(need *views.JobNeed, not []planning.Match) {
	const most = 50
	if len(not) == 0 {
		return
	}
	// What is on hold first.
	slices.SortStableFunc(not, func(a, b planning.Match) int {
		return btoi(b.Machine.Held || b.Machine.PlateHeld) - btoi(a.Machine.Held || a.Machine.PlateHeld)
	})
	need.Not = views.Table{Caption: "Not for this job now", Sub: counted(len(not), "printer", "printers"), Columns: []views.Column{{Word: "Printer"}, {Word: "Why not"}}}
	for _, m := range not[:min(len(not), most)] {
		need.Not.Rows = append(need.Not.Rows, views.Row{Cells: []views.Cell{{Text: m.Machine.Printer, Note: m.Machine.Plate, Href: s.url("/printers/" + url.PathEscape(m.Machine.Printer))}, {Text: sentence(strings.Join(m.Not, "; "))}}})
	}
	if len(not) > most {
		need.Not.Sub = fmt.Sprintf("the first %d of %s printers, holds first", most, count(len(not)))
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}
