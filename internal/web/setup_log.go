package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"mime"
	"net/http"
	"os"
	"path"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// previewRows is how many rows the page of a mapping shows.
const previewRows = 20

// postLog takes a log of another form and suggests how it is read.
func (s *Server) postLog() echo.HandlerFunc {
	return func(c echo.Context) error {
		who := identity(c)
		if who.Person == 0 {
			return fault.New(fault.Invalid, "An upload belongs to somebody who is signed in. A script uses basecourse import on the server.")
		}
		done, err := s.oneImport()
		if err != nil {
			return err
		}
		defer done()
		ctx := c.Request().Context()
		log, err := receiveLog(c)
		if err != nil {
			return s.refuseUpload(c, err)
		}
		draft, err := s.firstDraft(ctx, log)
		if err != nil {
			return s.refuseUpload(c, err)
		}
		id, err := s.store.KeepUpload(ctx, who.Person, log.name, false, bytes.NewReader(log.data))
		if err != nil {
			return err
		}
		if err := s.store.SetUploadMapping(ctx, id, draft.JSON()); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "log taken", slog.String("request", requestID(c)), slog.String("who", who.label()), slog.String("upload", id.String()))
		return c.Redirect(http.StatusSeeOther, s.url("/setup/import/"+id.String()+"/mapping"))
	}
}

type receivedLog struct {
	name, kind, mapping string
	data                []byte
}

func receiveLog(c echo.Context) (up receivedLog, err error) {
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return up, echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the file as multipart/form-data.")
	}
	for {
		part, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return up, unreadableUpload(err)
		}
		var buf bytes.Buffer
		switch name := path.Base(strings.ReplaceAll(part.FileName(), `\`, "/")); part.FormName() {
		case "log":
			if part.FileName() == "" {
				continue
			}
			if !utf8.ValidString(name) || utf8.RuneCountInString(name) > 100 {
				return up, fault.New(fault.Invalid, "the file's name is too long or not readable")
			}
			if err := copyBounded(&buf, part, name); err != nil {
				return up, err
			}
			up.name, up.data = name, buf.Bytes()
		case "kind", "kept":
			if _, err := io.Copy(&buf, io.LimitReader(part, 300)); err != nil {
				return up, unreadableUpload(err)
			}
			if part.FormName() == "kind" {
				up.kind = buf.String()
			} else {
				up.mapping = buf.String()
			}
		default:
			return up, badRequest(fault.Problem{Column: fault.Shorten(part.FormName()), Found: fault.Shorten(part.FormName()), Expected: "log, kind or kept"})
		}
	}
	if len(up.data) == 0 {
		return up, fault.New(fault.Invalid, "choose the log first: a CSV file with headings")
	}
	return up, nil
}

// firstDraft is a kept mapping, or what the log itself suggests.
func (s *Server) firstDraft(ctx context.Context, log receivedLog) (*intake.Mapping, error) {
	if log.mapping != "" {
		kept, err := s.store.Thing(ctx, farm.KindMapping, log.mapping)
		if err != nil {
			return nil, fault.Wrap(fault.Invalid, err, "there is no mapping %s any more", fault.Quote(log.mapping))
		}
		return intake.ReadMapping([]byte(kept.(*farm.LogMapping).Says))
	}
	kind := farm.Kind(log.kind)
	if !slices.Contains(intake.LogKinds, kind) {
		return nil, fault.New(fault.Invalid, "say what the rows of the log are")
	}
	m, _, err := s.suggestion(ctx, log.data, &intake.Mapping{Name: strings.TrimSpace(strings.TrimSuffix(log.name, path.Ext(log.name))), Kind: kind})
	return m, err
}

// suggestion suggests a mapping where nobody has said more than the name and the
// kind, and gives the reasons in any case.
func (s *Server) suggestion(ctx context.Context, data []byte, like *intake.Mapping) (*intake.Mapping, []intake.Reason, error) {
	survey, err := intake.Look(bytes.NewReader(data), like.Encoding, like.Delimiter, like.HeaderRow)
	if err != nil {
		return nil, nil, err
	}
	zone, err := s.farmZone(ctx)
	if err != nil {
		return nil, nil, err
	}
	m, reasons := intake.Suggest(survey, like.Name, like.Kind, zone.String(), views.MarkNamed)
	return m, reasons, nil
}

// openLog gives an upload that is a log: its bytes and its draft.
func (s *Server) openLog(c echo.Context) (u store.Upload, data []byte, m *intake.Mapping, err error) {
	if u, err = s.upload(c); err != nil {
		return u, nil, nil, err
	}
	if u.Mapping == "" {
		return u, nil, nil, fault.New(fault.NotFound, "This upload is a bundle: it needs no mapping.")
	}
	m = new(intake.Mapping)
	if err := json.Unmarshal([]byte(u.Mapping), m); err != nil {
		return u, nil, nil, err
	}
	var buf bytes.Buffer
	if err := s.store.WriteUpload(c.Request().Context(), u.ID, store.UploadSent, &buf); err != nil {
		return u, nil, nil, err
	}
	return u, buf.Bytes(), m, nil
}

func logSource(u store.Upload, data []byte, m *intake.Mapping) *intake.Log {
	return &intake.Log{Mapping: m, Name: u.Name, Size: int64(len(data)), Bytes: func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(data)), nil }}
}

func (s *Server) logForm(ctx context.Context, data []byte, m *intake.Mapping) (*logForm, error) {
	survey, err := intake.Look(bytes.NewReader(data), either(m.Encoding, "utf-8"), either(m.Delimiter, ","), m.HeaderRow)
	if err != nil {
		return nil, err
	}
	f := &logForm{survey: survey, m: m, table: m.Table(), tags: map[farm.Kind]map[string]bool{}}
	for _, kind := range []farm.Kind{farm.KindPrinter, farm.KindPlate} {
		list, _, err := s.store.Things(ctx, kind, "", 0, 20_000)
		if err != nil {
			return nil, err
		}
		f.tags[kind] = map[string]bool{}
		for _, rec := range list {
			f.tags[kind][*intake.TableOf(kind).Fields[0].At(rec).(*string)] = true
		}
	}
	return f, nil
}

func (s *Server) getMapping() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "kept"); err != nil {
			return err
		}
		u, data, m, err := s.openLog(c)
		if err != nil {
			return err
		}
		notice := ""
		if c.QueryParam("kept") != "" {
			notice = "Kept. It is offered for the next log."
		}
		return s.mappingPage(c, http.StatusOK, u, data, m, "", notice, nil)
	}
}

func (s *Server) mappingPage(c echo.Context, status int, u store.Upload, data []byte, m *intake.Mapping, trouble, notice string, problems []fault.Problem) error {
	ctx := c.Request().Context()
	zone, err := s.farmZone(ctx)
	if err != nil {
		return err
	}
	form, err := s.logForm(ctx, data, m)
	if err != nil {
		return err
	}
	_, reasons, err := s.suggestion(ctx, data, m)
	if err != nil {
		return err
	}
	here := s.url("/setup/import/" + u.ID.String())
	p := views.LogPage{Shell: withClock(s.shell(c, "Mapping of "+u.Name, "/setup"), s.now(), zone), Trouble: trouble, Notice: notice, Action: here + "/mapping", Download: here + "/mapping.json",
		Crumbs:  []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Import", Href: s.url("/setup/import")}, {Value: u.Name, Href: here}},
		General: form.general(), Columns: form.columns(), Whole: form.whole(), Marks: form.marks()}
	open := m.Problems()
	for _, r := range reasons {
		switch {
		case !r.Ask:
			p.Says = append(p.Says, r.Words)
		case len(open) > 0 || r.Field == "":
			p.Asks = append(p.Asks, r.Words)
		}
	}
	for _, q := range problems {
		p.Problems = append(p.Problems, views.FormProblem{Words: sentence(q.String())})
	}
	p.Preview, err = s.preview(ctx, c, logSource(u, data, m), open, zone)
	if err != nil {
		return err
	}
	return render(c, status, views.Log(p))
}

// preview shows what the first rows become, or why they are refused.
func (s *Server) preview(ctx context.Context, c echo.Context, log *intake.Log, open []fault.Problem, zone *time.Location) (views.Table, error) {
	t := views.Table{Caption: "The first rows", Columns: []views.Column{{Word: "Line"}, {Word: "Becomes"}}}
	if len(open) > 0 {
		t.Sub = "nothing yet: some of the mapping is still open"
		for _, q := range open {
			t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: "–"}, {Text: sentence(q.String())}}})
		}
		return t, nil
	}
	log.Most = previewRows
	report, err := s.store.Import(ctx, uploadAct(c, ""), log, store.ImportOptions{Check: true})
	if err != nil {
		return t, err
	}
	wrong := map[int][]string{}
	for _, q := range report.Problems {
		wrong[q.Line] = append(wrong[q.Line], q.Column+": found "+fault.Quote(q.Found)+", expected "+q.Expected)
	}
	src, err := log.Bytes()
	if err != nil {
		return t, err
	}
	reader, err := intake.NewLogReader(log, src, s.now())
	if err != nil {
		return t, err
	}
	if _, bad := reader.Header(); len(bad) > 0 {
		for _, q := range bad {
			t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: count(q.Line)}, {Text: "Refused", Note: q.String()}}})
		}
		return t, nil
	}
	table := log.Mapping.Table()
	rec := table.New()
	var row intake.Row
	for {
		more, err := reader.Next(&row, rec)
		if err != nil || !more {
			return t, err
		}
		cell := views.Cell{Text: recordWords(table, rec, zone)}
		if list := wrong[row.Line]; len(list) > 0 {
			cell = views.Cell{Text: "Refused. " + strings.Join(list, ". "), Note: fault.Shorten(strings.TrimRight(row.Raw, "\r\n"))}
		}
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: count(row.Line)}, cell}, Strong: len(wrong[row.Line]) > 0})
	}
}

// recordWords says a record as its fields are called where they are chosen, times in the
// farm's zone.
func recordWords(t *intake.Table, rec any, zone *time.Location) string {
	var parts []string
	for _, f := range intake.Mappable(t) {
		if f.Empty(rec) {
			continue
		}
		text := f.Text(rec)
		if at, ok := f.At(rec).(*time.Time); ok {
			text = clock(*at, zone)
		}
		parts = append(parts, lowerFirst(logFieldWord(t.Kind, f.Name))+" "+text)
	}
	return strings.Join(parts, " · ")
}

// postMapping keeps the draft, shows it again, keeps the mapping by its name, or
// tries it dry.
func (s *Server) postMapping() echo.HandlerFunc {
	return func(c echo.Context) error {
		u, data, m, err := s.openLog(c)
		if err != nil {
			return err
		}
		ctx, here := c.Request().Context(), s.url("/setup/import/"+u.ID.String())
		form, err := s.logForm(ctx, data, m)
		if err != nil {
			return err
		}
		sent, err := readForm(c, form.names()...)
		if err != nil {
			return err
		}
		m = form.read(sent)
		if len(m.JSON()) > intake.LongestMapping {
			return s.mappingPage(c, http.StatusUnprocessableEntity, u, data, form.m, "Not kept: the mapping is too long", "", []fault.Problem{{Found: "more than " + count(intake.LongestMapping) + " bytes", Expected: "fewer words"}})
		}
		if err := s.store.SetUploadMapping(ctx, u.ID, m.JSON()); err != nil {
			return err
		}
		act := sent["act"]
		if act == "look" {
			return c.Redirect(http.StatusSeeOther, here+"/mapping")
		}
		if act != "keep" && act != "check" {
			return badRequest(fault.Problem{Column: "act", Found: act, Expected: "one of the page's own buttons"})
		}
		if problems := m.Problems(); len(problems) > 0 {
			return s.mappingPage(c, http.StatusUnprocessableEntity, u, data, m, "Some of it is still open", "", problems)
		}
		if act == "keep" {
			if err := s.keepMapping(ctx, c, m); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, here+"/mapping?kept=yes")
		}
		done, err := s.oneImport()
		if err != nil {
			return err
		}
		defer done()
		if err := s.checkLog(ctx, c, u, data, m); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, here)
	}
}

// checkLog tries a log dry and keeps what was found, refused rows too.
func (s *Server) checkLog(ctx context.Context, c echo.Context, u store.Upload, data []byte, m *intake.Mapping) error {
	dir, err := s.uploadFolder()
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	opt := store.ImportOptions{Check: true, RefusedDir: dir + "/refused"}
	report, err := s.store.Import(ctx, uploadAct(c, ""), logSource(u, data, m), opt)
	if err != nil {
		return err
	}
	return s.noteRefused(ctx, u, "nothing", report, opt)
}

func (s *Server) keepMapping(ctx context.Context, c echo.Context, m *intake.Mapping) error {
	kept := m.Kept()
	edit := store.ThingEdit{After: kept}
	if before, err := s.store.Thing(ctx, farm.KindMapping, m.Name); err == nil {
		edit.Before = before
	} else if !fault.Is(err, fault.NotFound) {
		return err
	}
	return s.store.SaveThings(ctx, pageAct(c), farm.KindMapping, edit)
}

func (s *Server) getMappingJSON() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		_, _, m, err := s.openLog(c)
		if err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set(echo.HeaderContentType, echo.MIMEApplicationJSON)
		h.Set(echo.HeaderContentDisposition, mime.FormatMediaType("attachment", map[string]string{"filename": "mapping.json"}))
		return writeBody(c, http.StatusOK, m.JSON())
	}
}
