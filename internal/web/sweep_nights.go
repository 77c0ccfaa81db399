package web

import (
	"net/http"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// nightsPage is how many nights stand on one page.
const nightsPage = 7

// nights gives a page of nights up to a time, and what became of their starts.
func (s *Server) nights(c echo.Context, zone *time.Location, before time.Time) ([]farm.Night, []store.NightCounts, error) {
	ctx := c.Request().Context()
	spans, shifted, err := s.store.ShiftSpans(ctx, before.AddDate(0, 0, -nightsPage-2), before.AddDate(0, 0, 2))
	if err != nil {
		return nil, nil, err
	}
	list := farm.Nights(spans, shifted, zone, before, nightsPage)
	asked := make([]farm.Span, len(list))
	for i := range list {
		asked[i] = list[i].Span
	}
	counts, err := s.store.Nights(ctx, asked)
	return list, counts, err
}

// getNights tells by night what was seen, and how the starts that nobody saw were
// closed: apart from those that were.
func (s *Server) getNights() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone, end := frame.Settings.Zone(), windowEnd(frame, now)
		p := views.NightsPage{Shell: withClock(s.shell(c, "First layers by night", "/grade"), now, zone), Back: s.url("/sweep")}
		p.DataThrough = clock(end, zone)
		p.Lead = "A night is the longest time between two noons in which nobody is on shift; where the shifts leave none, or none are recorded, 22:00 to 06:00. " +
			"Rates are of graded layers. What was taken off unseen is in no rate, and never counts as good."
		before := end
		if text := c.QueryParam("before"); text != "" {
			day, err := time.ParseInLocation("2006-01-02", text, zone)
			if err != nil || day.Year() < 1990 || day.After(end) {
				return badRequest(fault.Problem{Column: "before", Found: text, Expected: "a day, for example 2026-03-02"})
			}
			before = day.Add(11 * time.Hour) // before the noon at which its own night may begin
			p.Pager.First = s.url("/sweep/nights")
		}
		if frame.LatestStart.IsZero() {
			p.Empty = "No start recorded yet. Nights appear here with the first."
			return render(c, http.StatusOK, views.Nights(p))
		}
		list, counts, err := s.nights(c, zone, before)
		if err != nil {
			return err
		}
		t := views.Table{Caption: "What was seen, by night", Sub: "Times in " + zone.String() + "; the latest night first.", Columns: []views.Column{{Word: "Night"}, {Word: "Starts", Number: true},
			{Word: "Failed, of graded"}, {Word: "Not seen", Number: true}, {Word: "Open", Number: true}, {Word: "Graded", Wide: true}}}
		for i := range list {
			n, k := &list[i], &counts[i]
			span := n.From.In(zone).Format("15:04") + " to " + n.To.In(zone).Format("15:04") + ", " + duration(n.To.Sub(n.From))
			if n.Empty {
				span += ", nobody on shift"
			}
			graded := k.Seen + k.After
			failed := views.Cell{Text: "–"}
			if graded > 0 {
				w := stats.Wilson(k.Failures, graded, 0.95)
				failed.Text, failed.Note = rateWords(k.Failures, graded, w.Low, w.High)
			}
			open := views.Cell{Text: count(k.Open)}
			if k.Ended > 0 {
				open.Note = count(k.Ended) + " more ended without a grade"
			}
			how := views.Cell{Text: "–"}
			if k.Started > 0 {
				how = views.Cell{Text: count(graded) + " of " + count(k.Started), Note: count(k.Seen) + " from above, " + count(k.After) + " by the underside"}
			}
			t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: n.Day, Note: span}, {Text: count(k.Started)}, failed, {Text: count(k.Unseen)}, open, how}})
		}
		p.Table = t
		if n := len(list); n > 0 {
			p.Pager.Older = s.url("/sweep/nights?before=" + list[n-1].Day)
		}
		return render(c, http.StatusOK, views.Nights(p))
	}
}
