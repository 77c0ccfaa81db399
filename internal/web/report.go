package web

import (
	"encoding/json"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"basecourse/internal/stats"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// report is a report before it is written as a page, as CSV or as JSON: the same
// figures in all three.
type report struct {
	code, name string // of files: "week-2026-W10"
	title      string
	lead, sub  string
	from, to   time.Time
	facts      []reportFact
	parts      []reportPart
}

type reportFact struct {
	name, word, says, note, href string
	value                        any
}

type reportPart struct {
	id, title   string
	lead, after []string
	columns     []reportColumn
	rows        [][]reportCell
	caption     string
	empty       string
	chart       views.Chart
}

// reportColumn is a column; without a word it stands in files alone.
type reportColumn struct {
	name, word string
	number     bool
}

// reportCell says a value in words, for files as it is.
type reportCell struct {
	text, note, href string
	value            any
}

func inWords(text string) reportCell      { return reportCell{text: dashed(text), value: text} }
func told(n int) reportCell               { return reportCell{text: count(n), value: n} }
func linked(text, href string) reportCell { return reportCell{text: text, href: href, value: text} }
func when(t time.Time, zone *time.Location) reportCell {
	return reportCell{text: clock(t, zone), value: iso(t)}
}

func dashed(s string) string {
	if s == "" {
		return "–"
	}
	return s
}

// rated are the cells of a count of first layers: started, graded, failed, share.
func rated(started, graded, failures int) []reportCell {
	w := stats.Wilson(failures, graded, 0.95)
	of, how := rateWords(failures, graded, w.Low, w.High)
	return []reportCell{{text: coverage(graded, started), value: started}, {value: graded}, {text: of, note: how, value: failures}, {value: share(failures, graded)}, {value: finite(w.Low)}, {value: finite(w.High)}}
}

var ratedColumns = []reportColumn{{"started", "Graded of started", false}, {"graded", "", false}, {"failed", "Failed of graded, likely range", false}, {"rate", "", false}, {"rate_low", "", false}, {"rate_high", "", false}}

func share(k, n int) any {
	if n == 0 {
		return nil
	}
	return finite(float64(k) / float64(n))
}

// finite is a number for files, to six digits; nil where there is none.
func finite(x float64) any {
	if x != x {
		return nil
	}
	v, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 6, 64), 64)
	if err != nil {
		return nil
	}
	return v
}

// page is the report for reading.
func (r *report) page(shell views.Shell) views.ReportPage {
	shell.Title = r.title
	p := views.ReportPage{Shell: shell, Lead: r.lead, Sub: r.sub}
	for _, f := range r.facts {
		p.Facts = append(p.Facts, views.Fact{Word: f.word, Value: f.says, Note: f.note, Href: f.href})
	}
	for _, x := range r.parts {
		part := views.ReportPart{ID: x.id, Title: x.title, Lead: x.lead, After: x.after, Chart: x.chart, Table: views.Table{Caption: x.caption}}
		if part.Table.Caption == "" {
			part.Table.Caption = x.title
		}
		part.Table.Titled = part.Table.Caption == x.title
		for _, c := range x.columns {
			if c.word != "" {
				part.Table.Columns = append(part.Table.Columns, views.Column{Word: c.word, Number: c.number, Whole: c.name == "at" || c.name == "subject", Wide: c.name == "standing"})
			}
		}
		for _, row := range x.rows {
			if len(part.Table.Columns) == 0 {
				break // for files alone
			}
			var out views.Row
			for i, cell := range row {
				if x.columns[i].word != "" {
					out.Cells = append(out.Cells, views.Cell{Text: cell.text, Note: cell.note, Href: cell.href})
				}
			}
			part.Table.Rows = append(part.Table.Rows, out)
		}
		if len(x.rows) == 0 {
			part.Empty = x.empty
		}
		p.Parts = append(p.Parts, part)
	}
	return p
}

// json is the report for machines.
func (r *report) json() ([]byte, error) {
	parts, facts := map[string]any{}, map[string]any{}
	for _, f := range r.facts {
		facts[f.name] = f.value
	}
	for _, x := range r.parts {
		rows := make([]map[string]any, len(x.rows))
		for i, row := range x.rows {
			rows[i] = map[string]any{}
			for k, cell := range row {
				rows[i][x.columns[k].name] = cell.value
			}
		}
		parts[x.id] = rows
	}
	b, err := json.MarshalIndent(map[string]any{"report": r.code, "from": iso(r.from), "to": iso(r.to), "facts": facts, "parts": parts}, "", " ")
	return append(b, '\n'), err
}

// rows are the report as one table: a line a figure.
func (r *report) rows() [][]string {
	text := func(v any) string {
		switch v := v.(type) {
		case nil:
			return ""
		case string:
			return v
		case int:
			return strconv.Itoa(v)
		case float64:
			return num(v)
		case bool:
			return yesNo(v)
		}
		return ""
	}
	out := [][]string{{"part", "row", "figure", "value"}, {"report", "", "report", r.code}, {"report", "", "from", iso(r.from)}, {"report", "", "to", iso(r.to)}}
	for _, f := range r.facts {
		out = append(out, []string{"facts", "", f.name, text(f.value)})
	}
	for _, x := range r.parts {
		for i, row := range x.rows {
			for k, cell := range row {
				out = append(out, []string{x.id, strconv.Itoa(i + 1), x.columns[k].name, text(cell.value)})
			}
		}
	}
	return out
}

// sendReport writes a report in the form its address asks for.
func (s *Server) sendReport(c echo.Context, form string, r *report, page func() views.ReportPage) error {
	switch form {
	case "csv":
		return writeCSV(c, r.name+".csv", r.rows())
	case "json":
		b, err := r.json()
		if err != nil {
			return err
		}
		return writeRawJSON(c, b)
	}
	return render(c, http.StatusOK, views.Report(page()))
}

// downloads are the addresses of a report's files, which lie below its own.
func (s *Server) reportFiles(base string, query url.Values) []views.Link {
	q := ""
	if len(query) > 0 {
		q = "?" + query.Encode()
	}
	return []views.Link{{Word: "These figures as CSV", Href: s.url(base+"/figures.csv") + q}, {Word: "As JSON", Href: s.url(base+"/figures.json") + q}}
}

// reportLinks are ways to reports, for who may read them.
func (s *Server) reportLinks(c echo.Context, acts ...act) []views.Link {
	if roleRank(identity(c).Role) < roleRank(roleManager) {
		return nil
	}
	return s.links(acts)
}
