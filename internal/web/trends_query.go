package web

import (
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"
)

// trendsQuery is what the address of a trend says.
type trendsQuery struct {
	by       string
	weeks    int    // the last weeks; 0 when from and to are given
	from, to string // dates in the farm's zone, both included
	per      string // week, day
	chart    string // rate, gaps, sum
	run      int    // layers between false alarms of a sum
	layers   string // list, graded: what charts judge by where a look list is in use
	page     int
	filter   store.TrendFilter
}

// Standards and bounds of the address.
const (
	trendWeeks   = 12
	mostWeeks    = 260
	mostDays     = 370
	trendRun     = 2500
	trendsOnPage = 24
	smallCharts  = 12 // of these, the first
)

// trendRuns are the in-control run lengths to choose from, in graded layers.
var trendRuns = []int{1000, 2500, 10_000, 100_000}

// trendBys are the groupings in their fixed order: plates first, they are what
// managers ask about.
var trendBys = []struct{ code, word, one, many string }{
	{"plate", "Plate", "plate", "plates"}, {"printer", "Printer", "printer", "printers"}, {"pair", "Plate × printer", "pair of plate and printer", "pairs of plate and printer"},
	{"surface", "Surface", "surface", "surfaces"}, {"material", "Material", "material", "materials"}, {"job", "Job", "job", "jobs"}, {"bay", "Bay", "bay", "bays"},
	{"age", "Plate life", "age of plates", "ages of plates"}, {"washed", "Prints since wash", "count since the wash", "counts since the wash"},
	{"week", "Week", "week", "weeks"}, {"hour", "Hour of day", "hour", "hours"}, {"shift", "Shift", "shift", "shifts"},
}

func trendBy(code string) (one, many string) {
	for _, b := range trendBys {
		if b.code == code {
			return b.one, b.many
		}
	}
	return code, code
}

// trendFilters are the filters in the order of the sentence.
var trendFilters = []struct {
	name, word string
	of         func(*store.TrendFilter) *string
}{
	{"printer", "Printer", func(f *store.TrendFilter) *string { return &f.Printer }},
	{"plate", "Plate", func(f *store.TrendFilter) *string { return &f.Plate }},
	{"surface", "Surface", func(f *store.TrendFilter) *string { return &f.Surface }},
	{"material", "Material", func(f *store.TrendFilter) *string { return &f.Material }},
	{"job", "Job", func(f *store.TrendFilter) *string { return &f.Job }},
	{"bay", "Bay", func(f *store.TrendFilter) *string { return &f.Bay }},
	{"lot", "Lot", func(f *store.TrendFilter) *string { return &f.Lot }},
	{"grader", "Graded by", func(f *store.TrendFilter) *string { return &f.Grader }},
}

// trendParams are the names an address may have.
func trendParams() []string {
	names := []string{"by", "weeks", "from", "to", "per", "chart", "run", "layers", "page", "part"}
	for _, f := range trendFilters {
		names = append(names, f.name)
	}
	return names
}

// readTrends reads an address's parameters; a refusal names each that is wrong.
func readTrends(v url.Values) (trendsQuery, error) {
	q := trendsQuery{by: "plate", weeks: trendWeeks, per: "week", chart: "rate", run: trendRun, layers: "list", page: 1}
	var problems []fault.Problem
	wrong := func(name, expected string) {
		problems = append(problems, fault.Problem{Column: name, Found: v.Get(name), Expected: expected})
	}
	one := func(name string, into *string, allowed ...string) {
		if s := v.Get(name); s != "" {
			if !slices.Contains(allowed, s) {
				wrong(name, "one of "+strings.Join(allowed, ", "))
			}
			*into = s
		}
	}
	number := func(name string, into *int, low, high int) {
		if s := v.Get(name); s != "" {
			n, err := strconv.Atoi(s)
			if err != nil || n < low || n > high {
				wrong(name, "a whole number from "+strconv.Itoa(low)+" to "+strconv.Itoa(high))
			}
			*into = n
		}
	}
	var bys []string
	for _, b := range trendBys {
		bys = append(bys, b.code)
	}
	one("by", &q.by, bys...)
	one("per", &q.per, "week", "day")
	one("chart", &q.chart, "rate", "gaps", "sum")
	one("layers", &q.layers, "list", "graded")
	number("weeks", &q.weeks, 1, mostWeeks)
	number("page", &q.page, 1, 1_000_000)
	number("run", &q.run, 100, 1_000_000)
	if s := v.Get("run"); s != "" && !slices.Contains(trendRuns, q.run) && len(problems) == 0 {
		wrong("run", "one of 1000, 2500, 10000, 100000 layers")
	}
	from, to := v.Get("from"), v.Get("to")
	if from != "" || to != "" {
		a, err1 := time.Parse(time.DateOnly, from)
		b, err2 := time.Parse(time.DateOnly, to)
		switch {
		case err1 != nil:
			wrong("from", "a date such as 2026-03-09, beside the last day in “to”")
		case err2 != nil:
			wrong("to", "a date such as 2026-03-09, beside the first day in “from”")
		case a.Year() < 1970 || b.Year() > 2200:
			wrong("from", "a date between 1970 and 2200")
		case b.Before(a):
			wrong("to", "a date that is not before "+from)
		case b.Sub(a) > mostWeeks*7*24*time.Hour:
			wrong("to", "a date at most "+strconv.Itoa(mostWeeks)+" weeks after "+from)
		}
		q.from, q.to, q.weeks = from, to, 0
	}
	for _, f := range trendFilters {
		s := v.Get(f.name)
		if len(s) > 256 || strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
			wrong(f.name, "a name of at most 64 characters")
		}
		*f.of(&q.filter) = s
	}
	if len(problems) > 0 {
		return q, badRequest(problems...)
	}
	return q, nil
}

// values are the address's parameters; standards are left out.
func (q trendsQuery) values() url.Values {
	v := url.Values{}
	set := func(name, value, standard string) {
		if value != "" && value != standard {
			v.Set(name, value)
		}
	}
	set("by", q.by, "plate")
	if q.from != "" {
		v.Set("from", q.from)
		v.Set("to", q.to)
	} else {
		set("weeks", strconv.Itoa(q.weeks), strconv.Itoa(trendWeeks))
	}
	set("per", q.per, "week")
	set("chart", q.chart, "rate")
	set("run", strconv.Itoa(q.run), strconv.Itoa(trendRun))
	set("layers", q.layers, "list")
	set("page", strconv.Itoa(q.page), "1")
	for _, f := range trendFilters {
		set(f.name, *f.of(&q.filter), "")
	}
	return v
}

func (q trendsQuery) address(path string) string {
	if v := q.values(); len(v) > 0 {
		return path + "?" + v.Encode()
	}
	return path
}

// csv is the address of a part of the page as CSV.
func (q trendsQuery) csv(path, part string) string {
	v := q.values()
	v.Set("part", part)
	return path + ".csv?" + v.Encode()
}

// bounds cuts the window into weeks (from Monday, ISO 8601) or days of the
// farm's zone. Without dates it ends with the week that end lies in.
func (q *trendsQuery) bounds(end time.Time, zone *time.Location) []time.Time {
	local := end.In(zone)
	day := func(t time.Time, add int) time.Time {
		return time.Date(t.Year(), t.Month(), t.Day()+add, 0, 0, 0, 0, zone)
	}
	monday := func(t time.Time) time.Time { return day(t, -(int(t.Weekday())+6)%7) }
	first, last := day(monday(local), -7*(q.weeks-1)), day(monday(local), 7)
	if q.from != "" {
		a, _ := time.ParseInLocation(time.DateOnly, q.from, zone)
		b, _ := time.ParseInLocation(time.DateOnly, q.to, zone)
		first, last = day(a, 0), day(b, 1)
	}
	if days := int(last.Sub(first).Hours() / 24); q.per == "day" && days > mostDays {
		q.per = "week" // more days than a chart can show
	}
	bounds := []time.Time{first}
	for at := first; at.Before(last); {
		if q.per == "day" {
			at = day(at, 1)
		} else {
			at = day(monday(at), 7)
		}
		if at.After(last) {
			at = last
		}
		bounds = append(bounds, at)
	}
	return bounds
}

// span says the window in words.
func (q trendsQuery) span() string {
	if q.from != "" {
		return q.from + " to " + q.to
	}
	if q.weeks == 1 {
		return "this week"
	}
	return "last " + strconv.Itoa(q.weeks) + " weeks"
}

// filterWords says a filter's value in words.
func filterWords(name, value string) string {
	switch name {
	case "surface":
		return wordFor(surfaceWords, value)
	case "printer", "plate", "job", "lot":
		return name + " " + value
	case "grader":
		return "graded by " + value
	}
	return value
}

// sentence says what is shown, part by part.
func (q trendsQuery) sentence(path string) (parts []views.TrendPart, clear string) {
	whole := q
	whole.page, whole.filter = 1, store.TrendFilter{}
	filtered := false
	for _, f := range trendFilters {
		value := *f.of(&q.filter)
		if value == "" {
			continue
		}
		without := q
		without.page = 1
		*f.of(&without.filter) = ""
		filtered = true
		parts = append(parts, views.TrendPart{Words: filterWords(f.name, value), Drop: without.address(path)})
	}
	if q.filter.Printer == "" && q.filter.Bay == "" {
		parts = append([]views.TrendPart{{Words: "All printers"}}, parts...)
	}
	span := views.TrendPart{Words: q.span()}
	if q.from != "" || q.weeks != trendWeeks {
		usual := q
		usual.from, usual.to, usual.weeks, usual.page = "", "", trendWeeks, 1
		span.Drop = usual.address(path)
	}
	parts = append(parts, span)
	if filtered {
		clear = whole.address(path)
	}
	return parts, clear
}

// form lets people change window and filters without knowing addresses.
func (q trendsQuery) form(path string, choices store.TrendChoices, graders []string) views.TrendForm {
	f := views.TrendForm{Action: path}
	hidden := func(name, value, standard string) {
		if value != standard {
			f.Hidden = append(f.Hidden, views.Fact{Word: name, Value: value})
		}
	}
	hidden("by", q.by, "plate")
	hidden("chart", q.chart, "rate")
	hidden("run", strconv.Itoa(q.run), strconv.Itoa(trendRun))
	hidden("layers", q.layers, "list")
	list := func(name, word, all, value string, values []string, words func(string) string) {
		field := views.Field{Name: name, Label: word, Kind: "select", Options: []views.Option{{Value: "", Word: all, Chosen: value == ""}}}
		known := value == ""
		for _, v := range values {
			field.Options = append(field.Options, views.Option{Value: v, Word: words(v), Chosen: v == value})
			known = known || v == value
		}
		if !known {
			field.Options = append(field.Options, views.Option{Value: value, Word: words(value), Chosen: true})
		}
		f.Fields = append(f.Fields, field)
	}
	text := func(name, word, value, hint string) {
		f.Fields = append(f.Fields, views.Field{Name: name, Label: word, Kind: "text", Optional: true, Value: value, Hint: hint})
	}
	same := func(s string) string { return s }
	weeks := strconv.Itoa(q.weeks)
	if q.weeks == 0 {
		weeks = ""
	}
	list("weeks", "Last weeks", "as dated below", weeks, []string{"4", "12", "26", "52", "104"}, func(s string) string { return s + " weeks" })
	text("from", "First day", q.from, "Instead of weeks, for example 2026-03-09.")
	text("to", "Last day", q.to, "")
	list("per", "A point for each", "week", strings.TrimPrefix(q.per, "week"), []string{"day"}, same)
	text("printer", "Printer", q.filter.Printer, "Its tag, for example P-014.")
	text("plate", "Plate", q.filter.Plate, "Its tag, for example L-203.")
	list("surface", "Surface", "all", q.filter.Surface, choices.Surfaces, func(s string) string { return wordFor(surfaceWords, s) })
	list("material", "Material", "all", q.filter.Material, choices.Materials, same)
	list("bay", "Bay", "all", q.filter.Bay, choices.Bays, same)
	text("job", "Job", q.filter.Job, "")
	text("lot", "Lot of material", q.filter.Lot, "")
	list("grader", "Graded by", "anyone", q.filter.Grader, graders, same)
	return f
}
