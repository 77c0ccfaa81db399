package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
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

// historyPage is how many lines of a history stand on one page; keptRows how
// many probes, cleanings, holds are shown apart.
const (
	historyPage = 50
	keptRows    = 8
	// changesShown is how many changes made in Setup a page lists.
	changesShown = 20
)

// thing is a printer's or plate's page while it is put together.
type thing struct {
	ctx    context.Context
	kind   string
	tag    string
	of     store.Thing
	frame  store.Frame
	now    time.Time
	end    time.Time // where the records end
	zone   *time.Location
	before store.Cursor // of the history
	events string       // kind of events shown; "" every kind
	layers int          // how many of the latest layers are summed
	page   views.ThingPage
}

// openThing reads the address of a printer's or plate's page.
func (s *Server) openThing(c echo.Context, kind string) (*thing, error) {
	if err := onlyParams(c, "before", "kind", "layers", "saved"); err != nil {
		return nil, err
	}
	t := &thing{ctx: c.Request().Context(), kind: kind, now: s.now(), layers: layersUsually, events: c.QueryParam("kind")}
	var err error
	if t.before, err = readCursor(c.QueryParam("before"), "before"); err != nil {
		return nil, err
	}
	if kinds := historyKinds(kind); t.events != "" && !slices.Contains(kinds, t.events) {
		return nil, badRequest(fault.Problem{Column: "kind", Found: t.events, Expected: "one of " + strings.Join(kinds, ", ")})
	}
	if text := c.QueryParam("layers"); text != "" {
		if t.layers, err = strconv.Atoi(text); err != nil || !slices.Contains(layersSummed, t.layers) {
			return nil, badRequest(fault.Problem{Column: "layers", Found: text, Expected: "one of 20, 100, 500"})
		}
	}
	if t.tag, err = tagParam(c, "tag"); err != nil {
		return nil, err
	}
	if t.frame, err = s.store.Frame(t.ctx, t.now); err != nil {
		return nil, err
	}
	t.end, t.zone = windowEnd(t.frame, t.now), t.frame.Settings.Zone()
	t.page = views.ThingPage{Shell: withClock(s.shell(c, sentenceCase(kind)+" "+t.tag, "/floor"), t.now, t.zone), Kind: kind, Tag: t.tag}
	t.page.DataThrough = clock(t.end, t.zone)
	if t.page.Saved, err = s.savedHere(c, t.zone); err != nil {
		return nil, err
	}
	return t, nil
}

// historyKinds are the kinds of events a printer or a plate has.
func historyKinds(kind string) []string {
	if kind == "plate" {
		return store.Thing{Plate: 1}.HistoryKinds()
	}
	return store.Thing{Printer: 1}.HistoryKinds()
}

// showThing fills in what both pages share and writes the page.
func (s *Server) showThing(c echo.Context, t *thing) error {
	twice, err := s.store.TwoPlaces(t.ctx, t.now, mostAsked)
	if err != nil {
		return err
	}
	t.page.Ask = s.asksWhich(twice, t.tag)
	counts, err := s.store.CountsOf(t.ctx, t.of, [2]time.Time{t.end.Add(-14 * day), t.end}, [2]time.Time{t.end.Add(-thingWindow), t.end},
		[2]time.Time{t.end.Add(-2 * thingWindow), t.end.Add(-thingWindow)})
	if err != nil {
		return err
	}
	byOther, byMaterial, err := s.store.Splits(t.ctx, t.of.Printer, t.of.Plate, t.end.Add(-thingWindow), t.end)
	if err != nil {
		return err
	}
	layers, err := s.store.ThingLayers(t.ctx, t.of, t.end, t.layers)
	if err != nil {
		return err
	}
	apart := []string{"fitting", "hold", "probe", "offset_change", "service"}
	if t.kind == "plate" {
		apart = []string{"fitting", "hold", "cleaning", "plate_state"}
	}
	latest, err := s.store.LatestOf(t.ctx, t.of, keptRows, apart...)
	if err != nil {
		return err
	}
	entries, err := s.store.History(t.ctx, t.of, t.events, t.before, historyPage+1)
	if err != nil {
		return err
	}
	names := []store.ThingName{{Kind: farm.Kind(t.kind), Name: t.tag}}
	if t.kind == "printer" {
		screws, err := s.store.Screws(t.ctx, t.tag)
		if err != nil {
			return err
		}
		for _, x := range screws {
			names = append(names, store.ThingName{Kind: farm.KindScrew, Name: t.tag + " " + x.Screw})
		}
	}
	changes, err := s.store.ThingChanges(t.ctx, changesShown, names...)
	if err != nil {
		return err
	}
	t.page.Changes = changesTable(changes, t.zone)
	if t.page.Proofs, err = s.proofs(t.ctx, t.of, t.end, t.zone); err != nil {
		return err
	}
	fillRates(t, counts)
	by := "plate"
	if t.kind == "plate" {
		by = "printer"
	}
	t.page.Trend = s.url("/trends?" + url.Values{t.kind: {t.tag}, "by": {by}}.Encode())
	t.page.Reports = s.reportLinks(c, act{"Sheet for paper", "/reports/" + t.kind + "s/:tag", "/reports/" + t.kind + "s/" + url.PathEscape(t.tag), false},
		act{"Audit pack", "/reports/audit", "/reports/audit?" + url.Values{"kind": {t.kind}, "tag": {t.tag}}.Encode(), false})
	other, path := "Plate", "/plates/"
	if t.kind == "plate" {
		other, path = "Printer", "/printers/"
	}
	t.page.By = withRows(s.splitTable("First layers by "+strings.ToLower(other), other, byOther, path), s.splitTable("First layers by material", "Material", byMaterial, ""))
	s.fillMarks(t, layers)
	s.fillStays(t, layers, latest["fitting"], other, path)
	if t.kind == "plate" {
		t.page.Kept = plateKept(latest, t.zone)
	} else {
		t.page.Kept = s.printerKept(latest, t.zone)
	}
	s.fillHistory(t, entries)
	return render(c, http.StatusOK, views.Thing(t.page))
}

// thingHref is the address of a page with what it shows of history and marks.
func (s *Server) thingHref(t *thing, events string, layers int, before, anchor string) string {
	v := url.Values{}
	if events != "" {
		v.Set("kind", events)
	}
	if layers != layersUsually {
		v.Set("layers", strconv.Itoa(layers))
	}
	if before != "" {
		v.Set("before", before)
	}
	href := s.url("/" + t.kind + "s/" + url.PathEscape(t.tag))
	if len(v) > 0 {
		href += "?" + v.Encode()
	}
	return href + "#" + anchor
}

// act is something to do, and where.
type act struct {
	word, route, path string
	main              bool
}

// links gives the acts whose pages are in the table of routes.
func (s *Server) links(acts []act) []views.Link {
	var out []views.Link
	for _, a := range acts {
		if _, there := s.guards[http.MethodGet+" "+a.route]; there {
			out = append(out, views.Link{Word: a.word, Href: s.url(a.path), Main: a.main})
		}
	}
	return out
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

// fillRates says the rate lately, over the findings' window and before it, each
// with its interval and coverage.
func fillRates(t *thing, counts []store.Counts) {
	p := &t.page
	for i, label := range []string{"Failed, last 14 days", "Failed, last 84 days", "Failed, the 84 days before"} {
		k := counts[i]
		if k.Started == 0 && i == 2 {
			continue
		}
		w := stats.Wilson(k.Failures, k.Graded, 0.95)
		r := views.Rate{Label: label, Coverage: sentence(coverage(k.Graded, k.Started))}
		r.Of, r.How = rateWords(k.Failures, k.Graded, w.Low, w.High)
		p.Rates = append(p.Rates, r)
	}
	if graded := counts[1].Graded; graded < rateNeeds {
		p.RatesSub = counted(graded, "graded layer", "graded layers") + " in 84 days so far. A rate needs about " + strconv.Itoa(rateNeeds) + "."
		p.RatesSub = strings.ToUpper(p.RatesSub[:1]) + p.RatesSub[1:]
		return
	}
	p.RatesSub = "Failures of graded first layers up to " + clock(t.end, t.zone) + ", as counted."
	if t.kind == "plate" {
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

// keptTable is the head of a table of the latest events of a kind.
func keptTable(caption string, columns ...string) views.Table {
	t := views.Table{Caption: caption, Sub: fmt.Sprintf("The latest, at most %d; all of them stand in the history", keptRows)}
	for _, w := range columns {
		t.Columns = append(t.Columns, views.Column{Word: w})
	}
	return t
}

// inForce leaves voided events out.
func inForce(list []store.HistoryEntry) []store.HistoryEntry {
	return slices.DeleteFunc(slices.Clone(list), func(e store.HistoryEntry) bool { return e.VoidedAt != nil })
}

func holdsTable(list []store.HistoryEntry, zone *time.Location) views.Table {
	t := keptTable("Holds", "Placed", "Reason", "By", "Released")
	for _, e := range inForce(list) {
		end := views.Cell{Text: "in force"}
		if e.EndedAt != nil {
			end = views.Cell{Text: clock(*e.EndedAt, zone), Note: joinWords([]string{e.EndDetail, wordFor(releaseWords, e.Code)})}
		}
		t.Rows = append(t.Rows, views.Row{Strong: e.EndedAt == nil, Cells: []views.Cell{{Text: clock(e.At, zone)}, {Text: orNoRecord(e.Detail)}, {Text: orNoRecord(e.Person)}, end}})
	}
	return t
}
