package web

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

var docWantSheet = &apiDoc{Summary: "Keep the evidence of a finding as it is now",
	More: "The sheet is worked out in the background, from what is known at this moment; read it under its id from evidence-sheets, where sheet is its JSON as text. Sending the same id again is safe.",
	Body: schema{"type": "object", "required": []string{"subject_kind", "subject", "cause"}, "additionalProperties": false, "properties": schema{
		"id": schema{"type": "string", "format": "uuid", "description": "the sheet's own id, made by whoever asks; made here where it is left out"}, "subject_kind": schema{"type": "string", "enum": farm.SubjectKinds}, "subject": formTag, "cause": schema{"type": "string", "enum": farm.Causes}}},
	Answer: object(schema{"id": formID})}

// apiWantSheet asks for an evidence sheet.
func (s *Server) apiWantSheet() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		body, err := readJSONBody(c)
		if err != nil {
			return err
		}
		var ask struct {
			ID      string `json:"id"`
			Kind    string `json:"subject_kind"`
			Subject string `json:"subject"`
			Cause   string `json:"cause"`
		}
		d := json.NewDecoder(bytes.NewReader(body))
		d.DisallowUnknownFields()
		if err := d.Decode(&ask); err != nil || d.Decode(new(any)) != io.EOF || !utf8.Valid(body) {
			return badRequest(fault.Problem{Found: shortText(string(body)), Expected: "an object with subject_kind, subject and cause, and id where you choose one"})
		}
		switch {
		case !slices.Contains(farm.SubjectKinds, ask.Kind):
			return badRequest(fault.Problem{Pointer: "/subject_kind", Found: ask.Kind, Expected: "printer or plate"})
		case !slices.Contains(farm.Causes, ask.Cause) || ask.Kind == "plate" && ask.Cause == "skipped_probing":
			return badRequest(fault.Problem{Pointer: "/cause", Found: ask.Cause, Expected: "skipped_probing or cleaning_gap; of plates cleaning_gap"})
		}
		id, err := uuid.NewV7()
		if ask.ID != "" {
			if id, err = uuid.FromString(ask.ID); err != nil {
				return badRequest(fault.Problem{Pointer: "/id", Found: ask.ID, Expected: "a UUID"})
			}
		}
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		if _, err := s.cfg.Findings.Evidence(ctx, ask.Kind, ask.Subject, ask.Cause, s.now()); err != nil {
			return err
		}
		if err := s.cfg.Heights.WantSheet(ctx, store.SheetWanted{ID: id, SubjectKind: ask.Kind, Tag: ask.Subject, Cause: ask.Cause, Person: identity(c).Handle, Via: "api"}); err != nil {
			return err
		}
		return writeRawJSON(c, []byte(`{"id":"`+id.String()+`"}`+"\n"))
	}
}
