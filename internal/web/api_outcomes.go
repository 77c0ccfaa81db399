package web

import (
	"encoding/json"
	"slices"
	"strconv"

	"basecourse/internal/store"

	"github.com/labstack/echo/v4"
)

var docJobOutcomes = &apiDoc{Summary: "List what was expected of jobs beside what happened",
	More:   "By the time it was written down, then id. Of the planned starts in their order; what is expected of the graded ones, graded_low to graded_high holding 90 of 100, is comparable with failed.",
	Params: paramsNamed("cursor", "limit"), Answer: object(schema{"items": schema{"type": "array", "items": refTo("JobOutcome")}, "next": schema{"type": or("string", "null")}})}

// outcomeSchema describes an item.
func outcomeSchema() schema {
	item := schema{}
	for _, name := range outcomeColumns {
		switch {
		case slices.Contains([]string{"job_forecast", "job"}, name):
			item[name] = schema{"type": "string"}
		case name == "at":
			item[name] = schema{"type": "string", "format": "date-time"}
		case name == "over":
			item[name] = schema{"type": "boolean", "description": "the job is closed, or every planned start was made and nothing is waited for"}
		case name == "within":
			item[name] = schema{"type": or("boolean", "null")}
		default:
			item[name] = schema{"type": or("number", "null")}
		}
	}
	return object(item)
}

// apiJobOutcomes lists them.
func (s *Server) apiJobOutcomes() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "cursor", "limit"); err != nil {
			return err
		}
		limit, err := readLimit(c)
		if err != nil {
			return err
		}
		var after store.Cursor
		text, err := openCursor(c)
		if err == nil {
			after, err = readCursor(text, "cursor")
		}
		if err != nil {
			return wrongCursor(c)
		}
		now := s.now()
		list, err := s.store.JobOutcomesAfter(c.Request().Context(), now, after, limit+1)
		if err != nil {
			return err
		}
		var next *string
		if len(list) > limit {
			list = list[:limit]
			place := closeCursor(cursorText(list[limit-1].At, list[limit-1].ID))
			next = &place
		}
		items := make([]map[string]any, 0, len(list))
		for _, o := range besides(list) {
			item := map[string]any{}
			for i, text := range o.cells(now) {
				var v any
				switch name := outcomeColumns[i]; {
				case name == "job_forecast" || name == "job" || name == "at":
					v = text
				case text == "":
				case name == "within" || name == "over":
					v = text == "true"
				default:
					v, _ = strconv.ParseFloat(text, 64)
				}
				item[outcomeColumns[i]] = v
			}
			items = append(items, item)
		}
		body, err := json.Marshal(map[string]any{"items": items, "next": next})
		if err != nil {
			return err
		}
		return writeRawJSON(c, append(body, '\n'))
	}
}
