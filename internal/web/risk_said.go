package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"time"

	"basecourse/internal/stats"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// saidShown is how many printers and materials the page shows; all are in the table.
const saidShown = 20

// saidOff say what is off, and what to do.
var saidOff = map[upkeep.SaidOff]string{
	upkeep.SaidTooFew:    "More first layers failed than was said. Upkeep asks for too little and plans start too few: look at Findings for what changed, and at the weeks below for when.",
	upkeep.SaidTooMany:   "Fewer first layers failed than was said. Upkeep asks for more than pays, and plans start more spares than it takes.",
	upkeep.SaidTooApart:  "Risks were said too far apart: starts called risky failed less than said, starts called safe more.",
	upkeep.SaidTooLittle: "Risks were said too close together: starts called risky failed more than said, starts called safe less.",
}

// riskWarning is said where risks are shown or used while they are off; "" they are not,
// or it cannot be told.
func (s *Server) riskWarning(ctx context.Context, now time.Time) (views.Link, error) {
	if s.cfg.Judged == nil {
		return views.Link{}, nil
	}
	r, err := s.cfg.Judged.Said(ctx, now)
	if err != nil || len(r.Off) == 0 {
		return views.Link{}, err
	}
	return views.Link{Word: "The risks said do not hold: look at what was said beside what happened", Href: s.url("/risk")}, nil
}

// getRisk shows the risks said beside what happened.
func (s *Server) getRisk() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		settings, err := s.store.Settings(ctx)
		if err != nil {
			return err
		}
		zone := settings.Zone()
		p := views.FiguresPage{Shell: withClock(s.shell(c, "Risk: said and happened", "/findings"), now, zone), Crumb: views.Fact{Value: "Findings", Href: s.url("/findings")},
			Lead: "The chance of failure that the fit of the midnight before said of each start, beside what came. No fit has seen the day it is judged by. Starts that were graded by the end of the next day count, each day is written down once and never changed; days before this was kept were made up for from the records."}
		p.DataThrough = clock(now, zone)
		r := &upkeep.Reckoned{}
		if s.cfg.Judged != nil {
			if r, err = s.cfg.Judged.Said(ctx, now); err != nil {
				return err
			}
		}
		if r.Graded == 0 {
			p.Empty = "Nothing is written down yet. A day is, once the day after it is over; the last four weeks are made up for in the background, a day every few minutes."
			return render(c, http.StatusOK, views.Figures(p))
		}
		p.CSV = s.url("/risk.csv")
		for _, off := range r.Off {
			p.Warn = append(p.Warn, saidOff[off])
		}
		p.Parts = append(p.Parts, saidTogether(r))
		p.Parts = append(p.Parts, views.FiguresPart{ID: "bands", Title: "By chance said", Tables: []views.Table{saidTable("Said and happened by chance said", "graded starts; happened with its likely range", "Said", r.Bands)}},
			views.FiguresPart{ID: "weeks", Title: "By week", Tables: []views.Table{saidTable("Said and happened by week", "that begins on", "Week", r.Weeks)}},
			s.saidFarthest("materials", "By material", "Material", r.Materials), s.saidFarthest("printers", "By printer", "Printer", r.Printers))
		return render(c, http.StatusOK, views.Figures(p))
	}
}

func saidTogether(r *upkeep.Reckoned) views.FiguresPart {
	part := views.FiguresPart{ID: "together", Title: "All together"}
	fact := func(word, value, note string) {
		part.Facts = append(part.Facts, views.Fact{Word: word, Value: value, Note: note})
	}
	sd := 1.96 * math.Sqrt(r.Variance)
	fact("Failures", fmt.Sprintf("%s happened, %.0f said (%.0f to %.0f)", count(r.Failed), r.Expected, max(0, r.Expected-sd), r.Expected+sd), fmt.Sprintf("in %s, %s to %s; the range is by chance alone", coverage(r.Graded, r.Starts), r.From.Format(time.DateOnly), r.To.Format(time.DateOnly)))
	if !r.Judged() {
		part.Notes = []string{fmt.Sprintf("%s so far. To judge it takes about %d.", sentenceCase(counted(r.Failed, "failure", "failures")), upkeep.JudgedFrom)}
		return part
	}
	if !math.IsNaN(r.Slope) {
		fact("How far apart (slope)", fmt.Sprintf("%.2f (%.2f to %.2f)", r.Slope, r.SlopeLow, r.SlopeHigh), fmt.Sprintf("1 is right; a warning stands above where it leaves %.1f to %.1f and chance does not explain it", upkeep.SlopeLeast, upkeep.SlopeMost))
	}
	fact("Level (intercept)", fmt.Sprintf("%+.2f (%+.2f to %+.2f)", r.Intercept, r.InterceptLow, r.InterceptHigh), fmt.Sprintf("log-odds, 0 is right: odds of failing were %.2f times those said; a warning beyond %.1f either way", math.Exp(r.Intercept), upkeep.InterceptMost))
	if len(r.Off) == 0 {
		part.Notes = []string{"Slope and level lie in their ranges, or no farther out than chance explains."}
	}
	return part
}

func saidTable(caption, sub, word string, list []upkeep.Sum) views.Table {
	t := views.Table{Caption: caption, Sub: sub, Columns: []views.Column{{Word: word}, {Word: "Graded", Number: true}, {Word: "Said", Number: true}, {Word: "Happened", Number: true}, {Word: "Share said", Number: true, Wide: true}}}
	for i := range list {
		x := &list[i]
		w := stats.Wilson(x.Failed, x.Graded, 0.95)
		of, how := rateWords(x.Failed, x.Graded, w.Low, w.High)
		t.Rows = append(t.Rows, views.Row{Strong: math.Abs(x.Away()) > 3, Cells: []views.Cell{{Text: orNoRecord(x.Name)}, {Text: count(x.Graded)}, {Text: fmt.Sprintf("%.1f", x.Expected)}, {Text: of, Note: how}, {Text: aboutPercent(x.Expected / float64(max(x.Graded, 1)))}}})
	}
	return t
}

// saidFarthest shows those whose failures lie farthest from what was said, as chance goes.
func (s *Server) saidFarthest(id, title, word string, list []upkeep.Sum) views.FiguresPart {
	far := slices.Clone(list)
	slices.SortStableFunc(far, func(a, b upkeep.Sum) int {
		switch x, y := math.Abs(a.Away()), math.Abs(b.Away()); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	sub := "farthest from what was said first; strong: by more than three standard deviations"
	if len(far) > saidShown {
		far = far[:saidShown]
		sub += fmt.Sprintf("; %d of %s, all are in the table for a spreadsheet", saidShown, count(len(list)))
	}
	t := saidTable("Said and happened "+lowerFirst(title), sub, word, far)
	return views.FiguresPart{ID: id, Title: title, Tables: []views.Table{t}}
}

// getRiskCSV sends all of it as a table.
func (s *Server) getRiskCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		r := &upkeep.Reckoned{}
		if s.cfg.Judged != nil {
			var err error
			if r, err = s.cfg.Judged.Said(c.Request().Context(), s.now()); err != nil {
				return err
			}
		}
		number := func(x float64) string {
			if math.IsNaN(x) {
				return ""
			}
			return strconv.FormatFloat(x, 'g', 6, 64)
		}
		rows := [][]string{{"of", "name", "graded", "said", "said_sd", "failed", "failed_low", "failed_high"}}
		for _, part := range []struct {
			of   string
			list []upkeep.Sum
		}{{"all", []upkeep.Sum{r.Sum}}, {"band", r.Bands}, {"week", r.Weeks}, {"material", r.Materials}, {"printer", r.Printers}} {
			for _, x := range part.list {
				w := stats.Wilson(x.Failed, x.Graded, 0.95)
				n := float64(x.Graded)
				rows = append(rows, []string{part.of, x.Name, strconv.Itoa(x.Graded), number(x.Expected), number(math.Sqrt(x.Variance)), strconv.Itoa(x.Failed), number(w.Low * n), number(w.High * n)})
			}
		}
		if r.Graded > 0 {
			rows = append(rows, []string{"slope", "", strconv.Itoa(r.Graded), number(r.Slope), "", "", number(r.SlopeLow), number(r.SlopeHigh)},
				[]string{"intercept", "", strconv.Itoa(r.Graded), number(r.Intercept), "", "", number(r.InterceptLow), number(r.InterceptHigh)})
		}
		return writeCSV(c, "risk-said-and-happened.csv", rows)
	}
}
