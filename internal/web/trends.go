package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// trendsAnswer is what a trend's address asks for.
type trendsAnswer struct {
	trendsChart
	frame store.Frame
	end   time.Time // where the records end
	first bool      // nothing is recorded at all
}

// pairsNeed is how many graded layers a pair of plate and printer needs to be
// shown by itself: there are too many with one or two.
const pairsNeed = fewest

// trends reads the address and counts; choices asks for what one can filter by too.
func (s *Server) trends(c echo.Context, choices bool) (*trendsAnswer, error) {
	if err := onlyParams(c, trendParams()...); err != nil {
		return nil, err
	}
	q, err := readTrends(c.QueryParams())
	if err != nil {
		return nil, err
	}
	ctx, now := c.Request().Context(), s.now()
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return nil, err
	}
	// People are not compared: a crew member looks at the own grading only.
	if g := q.filter.Grader; g != "" && g != identity(c).Handle && !mayLookAtOthers(identity(c), frame.Settings) {
		return nil, fault.New(fault.Forbidden, "Layers by who graded them are shown to managers, where the farm's settings allow it, and your own to you.")
	}
	zone := frame.Settings.Zone()
	t := &trendsAnswer{frame: frame, end: windowEnd(frame, now), first: frame.LatestStart.IsZero()}
	bounds := q.bounds(t.end, zone)
	parts, _ := q.sentence("")
	var words []string
	for _, p := range parts[:len(parts)-1] {
		words = append(words, p.Words)
	}
	t.trendsChart = trendsChart{q: q, bounds: bounds, zone: zone, now: now, about: wordLower(strings.Join(words, ", "))}
	ask := store.TrendQuery{By: store.TrendBy(q.by), Bounds: bounds, Until: now, Zone: zone, Filter: q.filter, Outcomes: q.chart != "rate", Choices: choices}
	switch q.by {
	case "week":
		ask.By = store.TrendAll
	case "pair":
		ask.Least = pairsNeed
	case "shift":
		turns, err := s.store.Turns(ctx, bounds[0], bounds[len(bounds)-1])
		if err != nil {
			return nil, err
		}
		ask.Shifts, ask.InBuckets = spans(shiftsOf(turns)), true
	case "hour", "job", "age", "washed":
	default:
		ask.InBuckets = true
	}
	if t.got, err = s.store.Trends(ctx, ask); err != nil {
		return nil, err
	}
	t.inUse = listed(t.got)
	t.list = t.inUse && q.layers == "list"
	if t.got.CountedRaw > 0 {
		s.wakePacking()
	}
	return t, nil
}

// mayLookAtOthers tells whether somebody may look at one other person's layers
// apart.
func mayLookAtOthers(who Identity, settings farm.SettingValues) bool {
	return roleRank(who.Role) >= roleRank(roleManager) && settings.Text("person_level") == "shown"
}

func (s *Server) getTrends() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.trends(c, true)
		if err != nil {
			return err
		}
		last := t.bounds[len(t.bounds)-1]
		if t.events, err = s.store.TrendEvents(c.Request().Context(), t.q.filter.Printer, t.q.filter.Plate, t.bounds[0], last); err != nil {
			return err
		}
		shell := withClock(s.shell(c, "Trends", "/trends"), t.now, t.zone)
		shell.DataThrough = clock(t.end, t.zone)
		return render(c, http.StatusOK, views.Trends(s.trendsPage(c, shell, t)))
	}
}

// trendsPage builds the page.
func (s *Server) trendsPage(c echo.Context, shell views.Shell, t *trendsAnswer) views.TrendsPage {
	path := s.url("/trends")
	p := views.TrendsPage{Shell: shell, Heights: s.url("/heights"), Reports: s.reportLinks(c, act{"Reports", "/reports", "/reports", false})}
	if t.first {
		p.First, p.Lead = true, "Nothing to count yet."
		p.Empty = "Rates and charts by plate, printer and week appear here once first layers are recorded."
		if r, there := s.guards[http.MethodGet+" /grade"]; there && roleRank(identity(c).Role) >= roleRank(r.Role) {
			p.Grade = s.url("/grade")
		}
		return p
	}
	p.By = s.trendLinks("By", t.q, func(q *trendsQuery, code string) { q.by = code }, t.q.by, byWords())
	p.Filters, p.Clear = t.q.sentence(path)
	graders := t.got.Choices.Graders
	if who := identity(c); !mayLookAtOthers(who, t.frame.Settings) {
		graders = slices.DeleteFunc(slices.Clone(graders), func(g string) bool { return g != who.Handle })
	}
	p.Form = t.q.form(path, t.got.Choices, graders)
	total := t.got.Total
	of, how := rateOf(total)
	p.Rate = views.Rate{Label: "First layers failed", Of: of, How: how, Coverage: sentence(coverage(total.Graded, total.Started))}
	p.Looks = t.lookLines()
	p.Notes = t.notes()
	switch {
	case len(t.got.Unknown) > 0:
		p.Lead = "Nothing fits."
		p.Empty = unknownWords(t.q, t.got.Unknown)
		return p
	case total.Started == 0:
		p.Lead = "Nothing fits."
		p.Empty = "No first layer started in this window fits. Widen the window or clear the filters."
		return p
	case total.Graded == 0:
		p.Lead = sentence(counted(total.Started, "first layer", "first layers") + " started, none graded, " + t.about + ", " + t.window())
	}
	p.Charts = s.trendLinks("Chart", t.q, func(q *trendsQuery, code string) { q.chart = code }, t.q.chart,
		[][2]string{{"rate", "Rate by " + t.q.per}, {"gaps", "Layers between failures"}, {"sum", "Cumulative sum"}})
	if t.inUse {
		p.Layers = s.trendLinks("Judged by", t.q, func(q *trendsQuery, code string) { q.layers = code }, t.q.layers, [][2]string{{"list", "The look list"}, {"graded", "All that was graded"}})
	}
	switch t.q.chart {
	case "gaps":
		p.Main = t.gapsChart()
	case "sum":
		p.Main = t.sumChart()
		p.Runs = s.trendLinks("False alarm once in", t.q, func(q *trendsQuery, code string) { _, _ = fmt.Sscan(code, &q.run) }, fmt.Sprint(t.q.run), runChoices())
	default:
		p.Main, _ = t.rateChart()
	}
	if p.Main.Empty == "" {
		p.Main.CSV, p.Main.CSVWord = t.q.csv(path, "chart"), "This chart as CSV"
	}
	p.Events = s.eventsTable(t)
	p.EventsN = sentenceCase(counted(len(t.events), "thing", "things")) + " happened meanwhile"
	if t.q.by == "week" {
		return p
	}
	s.fillGroups(&p, t, path)
	return p
}

// fillGroups adds what compares groups: the funnel, the small charts, the
// table; one page of each.
func (s *Server) fillGroups(p *views.TrendsPage, t *trendsAnswer, path string) {
	list, usual := t.rank()
	if len(list) == 0 || t.got.Total.Graded == 0 || usual != usual {
		return
	}
	_, many := trendBy(t.q.by)
	shown := list
	if !ordered(t.q.by) {
		from := min((t.q.page-1)*trendsOnPage, max(0, (len(list)-1)/trendsOnPage*trendsOnPage))
		shown = list[from:min(len(list), from+trendsOnPage)]
		page := func(n int) string { q := t.q; q.page = n; return q.address(path) + "#table" }
		if len(list) > trendsOnPage {
			at := from/trendsOnPage + 1
			p.PagerOf = "Pages of " + many
			if at > 1 {
				p.Pager.First, p.Pager.Newer = page(1), page(at-1)
			}
			if from+trendsOnPage < len(list) {
				p.Pager.Older = page(at + 1)
			}
			p.Groups.Sub = fmt.Sprintf("%s to %s of %s", count(from+1), count(from+len(shown)), count(len(list)))
		}
	}
	if len(list) > 1 {
		p.Compare = t.compareChart(list, usual)
		p.Compare.TableAt = "#table"
	}
	part := p.Groups.Sub
	p.Groups = s.groupsTable(&t.trendsChart, shown)
	if part != "" {
		p.Groups.Sub += "; " + part
	}
	p.CSV = t.q.csv(path, "groups")
	if len(shown[0].Buckets) > 0 && len(list) > 1 {
		p.Many, p.ManyTab = s.multiples(&t.trendsChart, shown[:min(len(shown), smallCharts)], usual)
		p.ManyTop = sentenceCase(many) + " by " + t.q.per + ", most failures above the usual first"
		p.ManySub = "All on one scale. The line is the usual " + aboutPercent(usual) + ", dashes the limit of each " + t.q.per + "’s count; a filled square lies beyond it."
		if t.list {
			p.ManySub = "As graded, by choice too, so no point is judged; all on one scale. The line is the usual " + aboutPercent(usual) + " by the look list."
		}
		p.ManyCSV = t.q.csv(path, "many")
	}
}

func byWords() (words [][2]string) {
	for _, b := range trendBys {
		words = append(words, [2]string{b.code, b.word})
	}
	return words
}

func runChoices() (words [][2]string) {
	for _, n := range trendRuns {
		words = append(words, [2]string{fmt.Sprint(n), count(n) + " layers"})
	}
	return words
}

// trendLinks is a row of links each of which changes one thing.
func (s *Server) trendLinks(label string, q trendsQuery, set func(*trendsQuery, string), now string, words [][2]string) views.FilterRow {
	row := views.FilterRow{Label: label}
	for _, w := range words {
		to := q
		to.page = 1
		set(&to, w[0])
		row.Links = append(row.Links, views.FilterLink{Word: w[1], Href: to.address(s.url("/trends")), Current: w[0] == now})
	}
	return row
}

// notes say what is left out and what counts how.
func (t *trendsAnswer) notes() (notes []string) {
	notes = append(notes, "Failed: graded failed, or marginal where the underside shows. Voided layers are left out; layers not graded count as started only.")
	if t.inUse && t.q.chart != "rate" {
		notes = append(notes, "Gaps and sums follow every graded layer, those graded by choice too: weights have no place in them.")
	}
	if t.q.filter.Grader != "" {
		notes = append(notes, "Layers nobody graded have no grader, so coverage says nothing here.")
	}
	if t.got.RestGroups > 0 {
		notes = append(notes, fmt.Sprintf("%s with fewer than %d graded layers are summed up: %s of %s failed.", sentenceCase(counted(t.got.RestGroups, "pair", "pairs")), pairsNeed, count(t.got.Rest.Failures), count(t.got.Rest.Graded)))
	}
	late := t.got.Total.Late
	if late > 0 {
		notes = append(notes, fmt.Sprintf("%s entered more than a day after the layer started; a point most of whose layers are late is hollow.", sentenceCase(counted(late, "graded layer was", "graded layers were"))))
	}
	if t.end.Before(t.now) {
		notes = append(notes, "Records end "+clock(t.end, t.zone)+".")
	}
	return notes
}

func unknownWords(q trendsQuery, names []string) string {
	var words []string
	for _, f := range trendFilters {
		if slices.Contains(names, f.name) {
			words = append(words, "There is no "+strings.ToLower(strings.TrimPrefix(f.word, "Graded by"))+" “"+*f.of(&q.filter)+"”.")
		}
	}
	return strings.ReplaceAll(strings.Join(words, " "), "no  “", "nobody called “")
}

// eventsTable lists what stands on the axis.
func (s *Server) eventsTable(t *trendsAnswer) views.Table {
	out := views.Table{Caption: "What happened meanwhile", Columns: []views.Column{{Word: "When", Whole: true}, {Word: "What"}}}
	for _, e := range t.events {
		out.Rows = append(out.Rows, views.Row{Cells: []views.Cell{{Text: clock(e.At, t.zone)}, {Text: sentenceCase(eventWord(e))}}})
	}
	if word, address := s.thingAddress(t.q.filter); word != "" && len(out.Rows) > 0 {
		out.Rows = append(out.Rows, views.Row{Cells: []views.Cell{{Text: "All of it"}, {Text: word, Href: address}}})
	}
	return out
}

// packEvery is how often days that are over are packed for trends; a page that
// had to count a day without it wakes the work sooner.
const packEvery = time.Minute

func (s *Server) wakePacking() {
	select {
	case s.unpacked <- struct{}{}:
	default:
	}
}

// packTrends keeps the days that are over packed, until the context ends. Any
// number of replicas may do it.
func (s *Server) packTrends(ctx context.Context) {
	tick := time.NewTicker(packEvery)
	defer tick.Stop()
	for {
		if n, err := s.store.PackTrends(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("days not packed for trends", "error", err.Error())
		} else if n > 0 {
			s.log.Debug("days packed for trends", "days", n)
		}
		select {
		case <-tick.C:
		case <-s.unpacked:
		case <-ctx.Done():
			return
		}
	}
}
