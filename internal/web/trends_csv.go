package web

import (
	"bytes"
	"encoding/csv"
	"mime"
	"net/http"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/stats"
	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

// getTrendsCSV gives the table of a part of the page: the chart's points, the
// groups, or the groups by week.
func (s *Server) getTrendsCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.trends(c, false)
		if err != nil {
			return err
		}
		part := c.QueryParam("part")
		var rows [][]string
		switch part {
		case "chart", "":
			part = "chart"
			rows = t.chartRows()
		case "groups":
			rows = t.groupRows()
		case "many":
			rows = t.bucketRows()
		default:
			return badRequest(fault.Problem{Column: "part", Found: part, Expected: "one of chart, groups, many"})
		}
		from, to, _ := strings.Cut(t.window(), " to ")
		name := "trends-" + t.q.by + "-" + part + "-" + from + "-" + to + ".csv"
		return writeCSV(c, name, rows)
	}
}

// writeCSV sends a table to be opened in a spreadsheet: cells that it would take
// for a formula get a leading apostrophe.
func writeCSV(c echo.Context, name string, rows [][]string) error {
	var buf bytes.Buffer
	w := csv.NewWriter(&buf)
	w.UseCRLF = true
	for _, row := range rows {
		safe := make([]string, len(row))
		for i, cell := range row {
			safe[i] = intake.SpreadsheetCell(cell)
		}
		if err := w.Write(safe); err != nil {
			return err
		}
	}
	w.Flush()
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, "text/csv; charset=utf-8; header=present")
	h.Set(echo.HeaderContentDisposition, mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	return writeBody(c, http.StatusOK, buf.Bytes())
}

func num(v float64) string {
	if v != v {
		return ""
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}

// countCells are the cells of a count: started, graded, failed, rate and its
// 95 % interval.
func countCells(t store.TrendCount) []string {
	w := stats.Wilson(t.Failures, t.Graded, 0.95)
	return []string{strconv.Itoa(t.Started), strconv.Itoa(t.Graded), strconv.Itoa(t.Failures), num(float64(t.Failures) / float64(t.Graded)), num(w.Low), num(w.High)}
}

var countHead = []string{"started", "graded", "failed", "rate", "rate_low", "rate_high"}

func (t *trendsAnswer) chartRows() [][]string {
	switch t.q.chart {
	case "gaps":
		rows := [][]string{{"failure_at", "good_layers_before"}}
		gaps, open := gapsOf(t.got.Outcomes)
		for _, g := range gaps {
			rows = append(rows, []string{iso(g.at), strconv.Itoa(g.good)})
		}
		return append(rows, []string{"", strconv.Itoa(open)})
	case "sum":
		rows := [][]string{{"started_at", "graded_so_far", "failures", "sum", "signal"}}
		if t.got.Total.Failures == 0 {
			return rows
		}
		_, points, _ := t.sumOf()
		for _, p := range points {
			rows = append(rows, []string{iso(p.at), strconv.Itoa(p.layer + 1), strconv.Itoa(p.failed), strconv.Itoa(p.sum), yesNo(p.signal)})
		}
		return rows
	}
	_, chart := t.rateChart()
	rows := [][]string{append(append([]string{t.q.per + "_from"}, countHead...), "limit_low", "limit_high", "late_entries", "stands_out")}
	rows[0] = t.listHead(rows[0])
	for k, b := range t.got.Buckets {
		row := append([]string{t.label(k)}, countCells(b)...)
		rows = append(rows, t.withList(append(row, num(chart.Low[k]), num(chart.High[k]), strconv.Itoa(b.Late), t.standsOut(k, &chart)), t.bucketLook(k)))
	}
	return rows
}

func yesNo(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

func (t *trendsAnswer) groupHead() []string {
	switch t.q.by {
	case "pair":
		return []string{"plate", "printer"}
	case "week":
		return []string{"week"}
	}
	return []string{t.q.by}
}

func (t *trendsAnswer) groupCells(r *ranked) []string {
	switch t.q.by {
	case "pair":
		return []string{r.Name, r.Second}
	case "age", "washed":
		return []string{strings.ReplaceAll(r.name, thin, "")}
	}
	return []string{r.Name}
}

func (t *trendsAnswer) groupRows() [][]string {
	list, _ := t.rank()
	rows := [][]string{append(append(t.groupHead(), countHead...), "failures_above_usual", "by_chance")}
	rows[0] = t.listHead(rows[0])
	for i := range list {
		r := &list[i]
		chance := map[int]string{1: "more", -1: "fewer", 0: "yes"}[r.side]
		row := append(t.groupCells(r), countCells(r.Total)...)
		rows = append(rows, t.withList(append(row, num(r.excess), chance), &r.Look))
	}
	if t.got.RestGroups > 0 {
		row := append([]string{"others (" + strconv.Itoa(t.got.RestGroups) + ")"}, make([]string, len(t.groupHead())-1)...)
		row = append(append(row, countCells(t.got.Rest)...), "", "")
		rows = append(rows, append(row, make([]string, len(rows[0])-len(row))...))
	}
	return rows
}

func (t *trendsAnswer) bucketRows() [][]string {
	list, _ := t.rank()
	rows := [][]string{append(append(t.groupHead(), t.q.per+"_from"), countHead...)}
	for i := range list {
		for k, b := range list[i].Buckets {
			if b.Started > 0 {
				rows = append(rows, append(append(t.groupCells(&list[i]), t.bounds[k].In(t.zone).Format(time.DateOnly)), countCells(b)...))
			}
		}
	}
	return rows
}
