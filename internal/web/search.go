package web

import (
	"context"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

const (
	searchLayers = 30 // first layers on one page
	searchNames  = 10 // things, jobs, people shown
)

// seeking is a question taken apart.
type seeking struct {
	typed    string
	layers   store.LayerSearch
	words    []string // how the question about first layers was understood
	printers []string // tags named
	plates   []string
	rest     string // what is no tag, mark, grade, bay or time: names
	wrong    string // a check letter that does not fit
}

var (
	lastDays    = regexp.MustCompile(` (?:last|past) (\d{1,3}) (day|week|month) `)
	gradesAsked = map[string]string{"failed": "failed", "fail": "failed", "failure": "failed", "marginal": "marginal", "cosmetic": "cosmetic"}
)

// span takes words about time from text, days and ISO weeks in the farm's zone.
func (q *seeking) span(text string, now time.Time, zone *time.Location) string {
	local := now.In(zone)
	day := func(d int) time.Time { return time.Date(local.Year(), local.Month(), local.Day()+d, 0, 0, 0, 0, zone) }
	monday := -(int(local.Weekday()) + 6) % 7
	cut := func(words string, from, to time.Time) bool {
		plain := views.SearchWords(words)
		i := strings.Index(text, plain)
		if i < 0 {
			return false
		}
		text = text[:i+1] + text[i+len(plain):]
		q.layers.From, q.layers.To = from, to
		q.words = append(q.words, words)
		return true
	}
	if m := lastDays.FindStringSubmatch(text); m != nil {
		n, _ := strconv.Atoi(m[2-1])
		from := map[string]time.Time{"day": day(-n), "week": day(-7 * n), "month": time.Date(local.Year(), local.Month()-time.Month(n), local.Day(), 0, 0, 0, 0, zone)}[m[2]]
		cut(strings.TrimSpace(m[0]), from, time.Time{})
		return text
	}
	month := func(d int) time.Time {
		return time.Date(local.Year(), local.Month()+time.Month(d), 1, 0, 0, 0, 0, zone)
	}
	_ = cut("today", day(0), day(1)) || cut("yesterday", day(-1), day(0)) || cut("this week", day(monday), day(monday+7)) ||
		cut("last week", day(monday-7), day(monday)) || cut("this month", month(0), month(1)) || cut("last month", month(-1), month(0))
	return text
}

// seek takes a question apart.
func (s *Server) seek(ctx context.Context, typed string, now time.Time, zone *time.Location) (*seeking, error) {
	q := &seeking{typed: typed}
	printers, err := s.store.Printers(ctx, "", 20_000)
	if err != nil {
		return nil, err
	}
	plates, err := s.store.ThingNames(ctx, farm.KindPlate, everInUse, 100_000)
	if err != nil {
		return nil, err
	}
	tags := make([]string, len(printers))
	for i, p := range printers {
		tags[i] = p.Tag
	}
	books := [2]tagBook{newTagBook(tags), newTagBook(plates)}
	// The whole may be one tag, with blanks in it or not.
	if q.named(books, scanned(typed)) {
		return q, nil
	}
	marks, text := views.FindMarks(typed)
	q.layers.Marks = marks
	for _, m := range marks {
		q.words = append(q.words, strings.ToLower(wordFor(markWords, m)))
	}
	for _, bay := range baysOf(printers) {
		if i := strings.Index(text, views.SearchWords(bay)); i >= 0 {
			text = text[:i] + " " + text[i+len(views.SearchWords(bay)):]
			q.layers.Bays = append(q.layers.Bays, bay)
			q.words = append(q.words, bay)
		}
	}
	text = q.span(text, now, zone)
	// Tags stand as they were typed: a dash in them parts no words.
	for _, piece := range strings.Fields(strings.ToLower(typed)) {
		words := strings.TrimSpace(views.SearchWords(piece))
		if i := strings.Index(text, " "+words+" "); i >= 0 && strings.ContainsAny(piece, "0123456789") && q.named(books, piece) {
			text = text[:i+1] + text[i+2+len(words):]
		}
	}
	var rest []string
	for _, w := range strings.Fields(text) {
		if g := gradesAsked[w]; g != "" {
			q.layers.Grades = append(q.layers.Grades, g)
			q.words = append(q.words, strings.ToLower(stateFor(gradeStates, g).Word))
		} else if !slices.Contains([]string{"on", "in", "at", "the", "of", "and", "bay", "printer", "plate"}, w) {
			rest = append(rest, w)
		}
	}
	q.rest = strings.Join(rest, " ")
	q.layers.Printers, q.layers.Plates = q.printers, q.plates
	q.words = append(q.words, slices.Concat(q.printers, q.plates)...)
	return q, nil
}

// named takes the tags that text names; false when it names none.
func (q *seeking) named(books [2]tagBook, text string) bool {
	found := false
	for i, b := range books {
		tag, several := b.find(text)
		if tag != "" {
			several = []string{tag}
		}
		found = found || len(several) > 0
		for _, t := range several[:min(len(several), searchNames)] {
			if list := [2]*[]string{&q.printers, &q.plates}[i]; !slices.Contains(*list, t) {
				*list = append(*list, t)
			}
		}
	}
	if !found && q.wrong == "" && strings.ContainsAny(text, "0123456789") {
		for _, b := range books {
			if len(b.near(text)) > 0 {
				q.wrong = b.refuses(text, "tag", nil)
			}
		}
	}
	return found
}

// aboutLayers tells whether first layers are asked for.
func (q *seeking) aboutLayers() bool {
	l := &q.layers
	return len(l.Marks) > 0 || len(l.Grades) > 0 || (len(l.Bays) > 0 || len(q.printers)+len(q.plates) > 0) && !l.From.IsZero()
}

func (s *Server) getSearch() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "q", "before"); err != nil {
			return err
		}
		typed := strings.TrimSpace(c.QueryParam("q"))
		if len(typed) > 400 {
			return badRequest(fault.Problem{Column: "q", Found: typed[:40] + "…", Expected: "up to 200 characters"})
		}
		before, err := readCursor(c.QueryParam("before"), "before")
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		p := views.SearchPage{Shell: withClock(s.shell(c, "Search", "/search"), now, zone), Typed: typed, Scan: s.scan(), Action: s.url("/search")}
		if typed == "" {
			p.Examples = s.searchExamples()
			return render(c, http.StatusOK, views.Search(p))
		}
		q, err := s.seek(ctx, typed, now, zone)
		if err != nil {
			return err
		}
		if len(q.printers)+len(q.plates) == 1 && q.rest == "" && !q.aboutLayers() && len(q.layers.Bays) == 0 {
			if len(q.printers) == 1 {
				return c.Redirect(http.StatusSeeOther, s.url("/printers/"+url.PathEscape(q.printers[0])))
			}
			return c.Redirect(http.StatusSeeOther, s.url("/plates/"+url.PathEscape(q.plates[0])))
		}
		p.Wrong = q.wrong
		if err := s.fillSearch(ctx, c, &p, q, before, now, zone); err != nil {
			return err
		}
		if len(p.Things)+len(p.Jobs)+len(p.People)+len(p.Layers.Rows) == 0 {
			if p.Wrong == "" {
				p.Empty = "Nothing found for " + fq(typed) + "."
				if q.aboutLayers() {
					p.Empty = "No first layer found: " + strings.Join(q.words, ", ") + "."
				}
			}
			p.Examples = s.searchExamples()
		}
		return render(c, http.StatusOK, views.Search(p))
	}
}

// searchExamples say what can be searched.
func (s *Server) searchExamples() (out []views.FilterLink) {
	for _, x := range [][2]string{{"L-203", "a printer or plate by its tag: with or without dash, zeros and check letter, as L203K or 203"},
		{"corner lift last week", "first layers by what was seen, and when"}, {"too close bay 2", "by any name of a mark, in a bay"},
		{"failed yesterday", "by grade: failed, marginal, cosmetic"}, {"scratch last 30 days", "today, yesterday, this or last week or month, last 30 days"}} {
		out = append(out, views.FilterLink{Word: x[0], Count: x[1], Href: s.url("/search?q=" + url.QueryEscape(x[0]))})
	}
	return append(out, views.FilterLink{Word: "bracket", Count: "jobs and people by a part of their name", Href: s.url("/search?q=bracket")})
}

func (s *Server) fillSearch(ctx context.Context, c echo.Context, p *views.SearchPage, q *seeking, before store.Cursor, now time.Time, zone *time.Location) error {
	if before.IsZero() {
		for _, tag := range q.printers {
			p.Things = append(p.Things, views.Fact{Word: "Printer", Value: tag, Href: s.url("/printers/" + url.PathEscape(tag))})
		}
		for _, tag := range q.plates {
			facts, err := s.store.PlateFacts(ctx, tag, now.Add(-floorWindow), now)
			if err != nil {
				return err
			}
			where := "not known to be on a printer"
			switch {
			case facts.State != "in_use":
				where = strings.ToLower(stateFor(plateStateStates, facts.State).Word)
			case facts.Printer != "":
				where = "on " + facts.Printer
			}
			p.Things = append(p.Things, views.Fact{Word: "Plate", Value: tag, Href: s.url("/plates/" + url.PathEscape(tag)), Note: where})
		}
	}
	if q.rest != "" && before.IsZero() {
		text := q.rest
		if len(q.words) == 0 {
			text = q.typed
		}
		jobs, err := s.store.SearchJobs(ctx, text, searchNames)
		if err != nil {
			return err
		}
		for _, j := range jobs {
			word := j.Key
			if j.Name != "" && j.Name != j.Key {
				word += ": " + j.Name
			}
			p.Jobs = append(p.Jobs, views.Link{Word: word, Href: s.url("/jobs/" + url.PathEscape(j.Key))})
		}
		only := identity(c).Handle
		if identity(c).anyPerson() {
			only = ""
		}
		people, err := s.store.SearchPeople(ctx, text, only, searchNames)
		if err != nil {
			return err
		}
		for _, x := range people {
			fact := views.Fact{Word: "Person", Value: orCode(x.Name, x.Key), Note: x.Key}
			if s.open(c, "/setup/people/:tag") != "" {
				fact.Href = s.url("/setup/people/" + url.PathEscape(x.Key))
			}
			p.People = append(p.People, fact)
		}
	}
	if !q.aboutLayers() {
		return nil
	}
	ask := q.layers
	ask.Before, ask.Limit = before, searchLayers+1
	list, err := s.store.SearchLayers(ctx, ask)
	if err != nil {
		return err
	}
	if !before.IsZero() {
		p.Pager.First = s.url("/search?q=" + url.QueryEscape(q.typed))
	}
	if len(list) > searchLayers {
		list = list[:searchLayers]
		last := list[searchLayers-1]
		p.Pager.Older = s.url("/search?q=" + url.QueryEscape(q.typed) + "&before=" + cursorText(last.StartedAt, last.ID))
	}
	p.LayersIs = "Looked for " + strings.Join(q.words, ", ") + ". Latest first."
	p.Layers = views.Table{Caption: "First layers found", Columns: []views.Column{{Word: "Started", Whole: true}, {Word: "Printer"}, {Word: "Plate"}, {Word: "Grade"}, {Word: "Seen", Wide: true}, {Word: "Job", Wide: true}}}
	for _, f := range list {
		p.Layers.Rows = append(p.Layers.Rows, views.Row{Cells: []views.Cell{
			{Text: clock(f.StartedAt, zone), Href: s.url("/first-layers/" + f.ID.String())}, {Text: f.Printer}, {Text: orNoRecord(f.Plate)},
			{Text: stateFor(gradeStates, f.Grade).Word}, {Text: seenWords(f.Marks)}, {Text: orNoRecord(f.Job)}}})
	}
	return nil
}

// seenWords says a record's marks by their words, each once with its zones.
func seenWords(marks string) string {
	if marks == "" {
		return "–"
	}
	zones := map[string][]string{}
	var order []string
	for _, m := range strings.Fields(marks) {
		parts := strings.Split(m, ":")
		if len(parts) != 3 {
			continue
		}
		if zones[parts[1]] == nil {
			order = append(order, parts[1])
		}
		zones[parts[1]] = append(zones[parts[1]], parts[0])
	}
	for i, m := range order {
		order[i] = wordFor(markWords, m) + " " + strings.Join(zones[m], " ")
	}
	return strings.Join(order, "; ")
}
