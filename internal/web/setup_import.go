package web

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"mime/multipart"
	"net/http"
	"os"
	"path"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// uploadFolder makes a folder for one request's files. Whoever asks removes it.
func (s *Server) uploadFolder() (string, error) {
	if s.cfg.TempDir != "" {
		if err := os.MkdirAll(s.cfg.TempDir, 0o700); err != nil {
			return "", err
		}
	}
	return os.MkdirTemp(s.cfg.TempDir, "upload-")
}

// oneImport lets one upload or import of this process go on at a time: each may
// take as much work as everything else together.
func (s *Server) oneImport() (done func(), err error) {
	select {
	case s.importing <- struct{}{}:
		return func() { <-s.importing }, nil
	default:
		return nil, fault.New(fault.Busy, "Another import is going on. Try again when it is done.")
	}
}

func (s *Server) getImport() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return s.renderImport(c, http.StatusOK, nil)
	}
}

func (s *Server) renderImport(c echo.Context, status int, refusal error) error {
	ctx, now := c.Request().Context(), s.now()
	zone, err := s.farmZone(ctx)
	if err != nil {
		return err
	}
	kept, err := s.store.Uploads(ctx)
	if err != nil {
		return err
	}
	p := views.ImportPage{Shell: withClock(s.shell(c, "Import", "/setup"), now, zone), Crumb: s.url("/setup"), Action: s.url("/setup/import")}
	for _, t := range intake.Tables {
		p.Files = append(p.Files, t.File)
	}
	if refusal != nil {
		p.Trouble = "Nothing was taken"
		_, _, detail := classify(refusal)
		if detail != "" {
			p.Problems = append(p.Problems, views.FormProblem{Field: "bundle", Words: detail})
		}
		var f *fault.Error
		if errors.As(refusal, &f) {
			for _, q := range f.Problems {
				p.Problems = append(p.Problems, views.FormProblem{Field: "bundle", Words: sentence(q.String())})
			}
		}
	}
	if len(kept) > 0 {
		p.Kept = views.Table{Caption: "Uploads of the last day", Columns: []views.Column{{Word: "File"}, {Word: "Sent"}, {Word: "By"}, {Word: "In the farm"}}}
		for _, u := range kept {
			p.Kept.Rows = append(p.Kept.Rows, views.Row{Cells: []views.Cell{{Text: u.Name, Href: s.url("/setup/import/" + u.ID.String())}, {Text: ago(u.MadeAt, now), Note: clock(u.MadeAt, zone)}, {Text: u.Person}, {Text: storedWords[u.Stored]}}})
		}
	}
	return render(c, status, views.Import(p))
}

var storedWords = map[string]string{"nothing": "nothing of it", "all": "all of it", "good_rows": "its good rows"}

// postImport takes an upload to disk, keeps it, and checks it; nothing goes into
// the farm.
func (s *Server) postImport() echo.HandlerFunc {
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
		dir, err := s.uploadFolder()
		if err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(dir) }()
		ctx := c.Request().Context()
		up, err := receive(c, dir)
		if err != nil {
			return s.refuseUpload(c, err)
		}
		source, file, err := openBundle(up.file)
		if err != nil {
			return s.refuseUpload(c, err)
		}
		defer func() { _ = file.Close() }()
		if _, err := file.Seek(0, io.SeekStart); err != nil {
			return err
		}
		id, err := s.store.KeepUpload(ctx, who.Person, up.name, up.change, file)
		if err != nil {
			return err
		}
		if err := s.check(ctx, c, id, source, up.change); err != nil {
			_ = s.store.DropUpload(context.WithoutCancel(ctx), id)
			return s.refuseUpload(c, err)
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "upload checked", slog.String("request", requestID(c)), slog.String("who", who.label()), slog.String("upload", id.String()))
		return c.Redirect(http.StatusSeeOther, s.url("/setup/import/"+id.String()))
	}
}

// refuseUpload shows a refusal of what was sent beside the form. The rest of the
// body is read first, or browsers would show a broken connection instead.
func (s *Server) refuseUpload(c echo.Context, err error) error {
	kind := fault.KindOf(err)
	tooMuch := new(http.MaxBytesError)
	if errors.As(err, &tooMuch) {
		return s.renderImport(c, http.StatusRequestEntityTooLarge, fault.New(fault.TooLarge, "At most %d MB are taken at once. Pack the bundle as a .zip, or use basecourse import on the server, which takes any size.", tooMuch.Limit>>20))
	}
	if kind != fault.Invalid && kind != fault.TooLarge {
		return err
	}
	_, _ = io.Copy(io.Discard, c.Request().Body)
	return s.renderImport(c, kind.Status(), err)
}

func openBundle(name string) (intake.Source, *os.File, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	info, err := file.Stat()
	if err != nil {
		return nil, file, errors.Join(err, file.Close())
	}
	source, err := intake.Zip(file, info.Size(), intake.UploadLimits)
	if err != nil {
		_ = file.Close()
		return nil, nil, err
	}
	return source, file, nil
}

// check runs an import that stores nothing and keeps what it found.
func (s *Server) check(ctx context.Context, c echo.Context, id uuid.UUID, source intake.Source, change bool) error {
	report, err := s.store.Import(ctx, uploadAct(c, ""), source, store.ImportOptions{Check: true, Update: change})
	if err != nil {
		return err
	}
	return s.store.NoteUpload(ctx, id, change, "nothing", store.UploadReport{Report: report, Rows: report.Refused}, nil)
}

func uploadAct(c echo.Context, name string) store.Act {
	who := identity(c)
	return store.Act{Via: "import", Person: who.Handle, Why: name}
}

type received struct {
	file   string // a .zip on disk
	name   string // as it is shown
	change bool
}

// receive writes what a form brought to disk, as it comes: one .zip as it is, or
// CSV files packed into one. Names are used only to tell which file is which.
func receive(c echo.Context, dir string) (received, error) {
	up := received{file: filepath.Join(dir, "sent.zip")}
	parts, err := c.Request().MultipartReader()
	if err != nil {
		return up, echo.NewHTTPError(http.StatusUnsupportedMediaType, "Send the files as multipart/form-data.")
	}
	out, err := os.Create(up.file)
	if err != nil {
		return up, err
	}
	defer func() { _ = out.Close() }()
	pack := zip.NewWriter(out)
	var names []string
	whole, sum := false, int64(0)
	for {
		part, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return up, unreadableUpload(err)
		}
		switch name := path.Base(strings.ReplaceAll(part.FileName(), `\`, "/")); {
		case part.FormName() == "change" && part.FileName() == "":
			if up.change, err = readChoice(part); err != nil {
				return up, err
			}
		case part.FormName() != "bundle":
			return up, badRequest(fault.Problem{Column: fault.Shorten(part.FormName()), Found: fault.Shorten(part.FormName()), Expected: "bundle or change"})
		case part.FileName() == "":
			// a picker left empty
		case len(names) >= intake.UploadLimits.Files:
			return up, fault.New(fault.TooLarge, "at most %d files are taken at once", intake.UploadLimits.Files)
		case !utf8.ValidString(name) || utf8.RuneCountInString(name) > 100:
			return up, fault.New(fault.Invalid, "a file's name is too long or not readable")
		case whole:
			return up, fault.New(fault.Invalid, "send one .zip, or several .csv files, not both")
		case strings.EqualFold(path.Ext(name), ".zip"):
			if len(names) > 0 {
				return up, fault.New(fault.Invalid, "send one .zip, or several .csv files, not both")
			}
			whole = true
			names = append(names, name)
			if err := copyBounded(out, part, name); err != nil {
				return up, err
			}
		case strings.EqualFold(path.Ext(name), ".csv"):
			names = append(names, name)
			entry, err := pack.Create(name)
			if err != nil {
				return up, err
			}
			counted := &countingWriter{Writer: entry}
			if err := copyBounded(counted, part, name); err != nil {
				return up, err
			}
			if sum += counted.n; sum > intake.UploadLimits.Unpacked {
				return up, fault.New(fault.TooLarge, "the files together have more than %d MB", intake.UploadLimits.Unpacked>>20)
			}
		default:
			return up, fault.New(fault.Invalid, "%s is neither a .zip nor a .csv file", fault.Quote(name))
		}
	}
	if len(names) == 0 {
		return up, fault.New(fault.Invalid, "choose the bundle first: a .zip, or its .csv files")
	}
	if !whole {
		if err := pack.Close(); err != nil {
			return up, err
		}
	}
	up.name = names[0]
	if len(names) > 1 {
		up.name = fmt.Sprintf("%s and %d more", names[0], len(names)-1)
	}
	return up, out.Close()
}

type countingWriter struct {
	io.Writer
	n int64
}

func (w *countingWriter) Write(p []byte) (int, error) {
	n, err := w.Writer.Write(p)
	w.n += int64(n)
	return n, err
}

// copyBounded copies one file of an upload to disk.
func copyBounded(to io.Writer, part *multipart.Part, name string) error {
	n, err := io.Copy(to, io.LimitReader(part, intake.UploadLimits.File+1))
	if err != nil {
		return unreadableUpload(err)
	}
	if n > intake.UploadLimits.File {
		return fault.New(fault.TooLarge, "%s has more than %d MB; basecourse import on the server takes any size", name, intake.UploadLimits.File>>20)
	}
	return nil
}

func readChoice(part *multipart.Part) (bool, error) {
	b, err := io.ReadAll(io.LimitReader(part, 16))
	if err != nil {
		return false, unreadableUpload(err)
	}
	if v := string(b); v != "yes" && v != "" {
		return false, badRequest(fault.Problem{Column: "change", Found: v, Expected: "yes, or nothing"})
	}
	return string(b) == "yes", nil
}

// unreadableUpload says that a body broke off; a body that is too large stays
// that.
func unreadableUpload(err error) error {
	tooMuch := new(http.MaxBytesError)
	if errors.As(err, &tooMuch) || errors.Is(err, os.ErrDeadlineExceeded) {
		return err
	}
	if strings.Contains(err.Error(), "multipart") || errors.Is(err, io.ErrUnexpectedEOF) {
		return fault.Wrap(fault.Invalid, err, "the upload broke off: send it again")
	}
	return err
}

// upload finds the upload an address names.
func (s *Server) upload(c echo.Context) (store.Upload, error) {
	id, err := uuid.FromString(c.Param("id"))
	if err != nil {
		return store.Upload{}, fault.New(fault.NotFound, "There is no such upload. Uploads are kept for a day.")
	}
	return s.store.Upload(c.Request().Context(), id)
}

func (s *Server) getUpload() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		u, err := s.upload(c)
		if err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		here := s.url("/setup/import/" + u.ID.String())
		p := uploadPage(u, here)
		p.Shell = withClock(s.shell(c, "Import of "+u.Name, "/setup"), s.now(), zone)
		p.Crumbs = []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Import", Href: s.url("/setup/import")}}
		p.Again, p.Floor = s.url("/setup/import"), s.url("/floor")
		return render(c, http.StatusOK, views.Upload(p))
	}
}

// uploadPage builds the report: what went in, or would, and every problem in its
// place.
func uploadPage(u store.Upload, here string) views.UploadPage {
	p := views.UploadPage{Stored: u.Stored}
	recorded, refused := 0, 0
	p.Files = views.Table{Caption: "Files", Columns: []views.Column{{Word: "File"}, {Word: "Rows", Number: true}, {Word: "New or changed", Number: true}, {Word: "There already", Number: true, Wide: true}, {Word: "Refused", Number: true}}}
	for _, f := range u.Report.Files {
		recorded, refused = recorded+f.Recorded, refused+f.Refused
		p.Files.Rows = append(p.Files.Rows, views.Row{Strong: f.Refused > 0, Cells: []views.Cell{{Text: f.File}, {Text: count(f.Rows)}, {Text: count(f.Recorded)}, {Text: count(f.AlreadyRecorded)}, {Text: count(f.Refused)}}})
	}
	rows := counted(recorded, "row", "rows")
	switch total := u.Report.ProblemsTotal; {
	case u.Stored == "all":
		p.Lead = "Everything is in the farm now: " + rows + " new or changed."
	case u.Stored == "good_rows":
		p.Lead = "The good rows are in the farm now: " + rows + " new or changed. " + sentenceCase(counted(refused, "row was refused and is", "rows were refused and are")) + " not."
		p.Download = here + "/refused.zip"
	case total == 0 && recorded == 0:
		p.Lead = "Checked: everything is in the farm already. Nothing would change."
	case total == 0:
		p.Lead = "Checked: everything fits. Nothing is stored yet."
	default:
		p.Lead = "Checked: " + counted(total, "problem", "problems") + ". Nothing is stored yet."
	}
	if u.Stored == "nothing" {
		act := func(word, act, note string, main bool) {
			p.Acts = append(p.Acts, views.UploadAct{Word: word, Act: act, Note: note, Main: main, Action: here})
		}
		if u.Report.ProblemsTotal == 0 && recorded > 0 {
			act("Import "+rows, "import", "", true)
		}
		if u.Report.ProblemsTotal > 0 && recorded > 0 && refused > 0 {
			act("Import the good "+rows, "partial", "The refused rows can be downloaded, put right, and imported again.", true)
		}
		if u.Change {
			act("Check again without changing what is there", "check", "Printers, plates, people and settings that are there stay as they are.", false)
		} else {
			act("Check again, changing what is there", "check-change", "Printers, plates, people and settings that are there take the bundle's values.", false)
		}
		act("Throw it away", "drop", "", false)
	}
	for _, c := range u.Report.Created {
		p.Created = append(p.Created, sentenceCase(string(c.Kind))+" "+c.Name)
	}
	fillProblems(&p, u.Report)
	return p
}

// fillProblems puts the problems beside the rows they are of.
func fillProblems(p *views.UploadPage, report store.UploadReport) {
	type place struct {
		file string
		line int
	}
	by := map[place][]fault.Problem{}
	shown := map[place]bool{}
	for _, r := range report.Rows {
		shown[place{r.File, r.Line}] = true
	}
	for _, q := range report.Problems {
		at := place{q.File, q.Line}
		if shown[at] {
			by[at] = append(by[at], q)
			continue
		}
		p.Whole = append(p.Whole, sentence(q.String()))
	}
	for _, r := range report.Rows {
		row := views.RefusedRow{Where: fmt.Sprintf("%s, line %d", r.File, r.Line)}
		wrong := map[string]bool{}
		for _, q := range by[place{r.File, r.Line}] {
			wrong[q.Column] = true
			row.Problems = append(row.Problems, views.ProblemLine{Column: q.Column, Found: either(q.Found, "nothing"), Expected: q.Expected})
		}
		heads, cells := intake.Cells(r.Header), intake.Cells(r.Raw)
		for i := range max(len(heads), len(cells)) {
			var cell views.RowCell
			if i < len(heads) {
				cell.Head = heads[i]
			}
			if i < len(cells) {
				cell.Text = fault.Shorten(cells[i])
			}
			cell.Wrong = cell.Head != "" && wrong[cell.Head]
			if cell.Text != "" || cell.Wrong {
				row.Cells = append(row.Cells, cell)
			}
		}
		p.Rows = append(p.Rows, row)
	}
	listed := len(p.Whole)
	for _, r := range p.Rows {
		listed += len(r.Problems)
	}
	if more := report.ProblemsTotal - listed; more > 0 {
		p.More = "And " + counted(more, "more problem", "more problems") + "."
	}
}

// postUpload checks an upload again, imports it, or throws it away.
func (s *Server) postUpload() echo.HandlerFunc {
	return func(c echo.Context) error {
		sent, err := readForm(c, "act")
		if err != nil {
			return err
		}
		u, err := s.upload(c)
		if err != nil {
			return err
		}
		ctx, here := c.Request().Context(), s.url("/setup/import/"+u.ID.String())
		switch sent["act"] {
		case "drop":
			if err := s.store.DropUpload(ctx, u.ID); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, s.url("/setup/import"))
		case "check", "check-change", "import", "partial":
		default:
			return badRequest(fault.Problem{Column: "act", Found: sent["act"], Expected: "one of the page's own buttons"})
		}
		done, err := s.oneImport()
		if err != nil {
			return err
		}
		defer done()
		dir, err := s.uploadFolder()
		if err != nil {
			return err
		}
		defer func() { _ = os.RemoveAll(dir) }()
		source, file, err := s.fetchUpload(ctx, u.ID, filepath.Join(dir, "sent.zip"))
		if err != nil {
			return err
		}
		defer func() { _ = file.Close() }()
		if act := sent["act"]; act == "check" || act == "check-change" {
			if err := s.check(ctx, c, u.ID, source, act == "check-change"); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, here)
		}
		opt := store.ImportOptions{Update: u.Change}
		if sent["act"] == "partial" {
			opt.Partial, opt.RefusedDir = true, filepath.Join(dir, "refused")
		}
		report, err := s.store.Import(ctx, uploadAct(c, u.Name), source, opt)
		if err != nil {
			return err
		}
		result := "refused"
		if report.Stored {
			result = "stored"
		}
		s.metrics.imports.WithLabelValues(result).Inc()
		// What is stored is stored: the note about it must not hang on whoever waits.
		noting, cancel := context.WithTimeout(context.WithoutCancel(ctx), usual*6)
		defer cancel()
		if err := s.noteImport(noting, u, report, opt); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "upload imported", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("upload", u.ID.String()), slog.Bool("stored", report.Stored))
		return c.Redirect(http.StatusSeeOther, here)
	}
}

func (s *Server) fetchUpload(ctx context.Context, id uuid.UUID, name string) (intake.Source, *os.File, error) {
	out, err := os.Create(name)
	if err != nil {
		return nil, nil, err
	}
	err = s.store.WriteUpload(ctx, id, store.UploadSent, out)
	if err = errors.Join(err, out.Close()); err != nil {
		return nil, nil, err
	}
	return openBundle(name)
}

func (s *Server) noteImport(ctx context.Context, u store.Upload, report store.Report, opt store.ImportOptions) error {
	kept := store.UploadReport{Report: report, Rows: report.Refused}
	switch {
	case !report.Stored: // the farm changed since the check
		return s.store.NoteUpload(ctx, u.ID, u.Change, "nothing", kept, nil)
	case report.ProblemsTotal == 0:
		return s.store.NoteUpload(ctx, u.ID, u.Change, "all", kept, nil)
	}
	file, err := os.Create(opt.RefusedDir + ".zip")
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }()
	z := zip.NewWriter(file)
	if err := errors.Join(z.AddFS(os.DirFS(opt.RefusedDir)), z.Close()); err != nil {
		return err
	}
	if _, err := file.Seek(0, io.SeekStart); err != nil {
		return err
	}
	return s.store.NoteUpload(ctx, u.ID, u.Change, "good_rows", kept, file)
}

// getRefused gives the refused rows as a bundle to put right.
func (s *Server) getRefused() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		u, err := s.upload(c)
		if err != nil {
			return err
		}
		if u.Stored != "good_rows" {
			return fault.New(fault.NotFound, "This upload has no refused rows to download.")
		}
		return s.sendZip(c, "refused.zip", func(ctx context.Context, w io.Writer) error {
			return s.store.WriteUpload(ctx, u.ID, store.UploadRefused, w)
		})
	}
}

func (s *Server) getExport() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		p := views.ExportPage{Shell: withClock(s.shell(c, "Export", "/setup"), now, zone), Crumb: s.url("/setup"), Href: s.url("/setup/export/bundle.zip")}
		for _, t := range intake.Tables {
			p.Files = append(p.Files, t.File)
		}
		facts, err := s.store.FarmFacts(ctx, now)
		if err != nil {
			return err
		}
		p.Farm = []views.Fact{{Word: "Printers", Value: count(facts.Printers)}, {Word: "Plates", Value: count(facts.Plates)}, {Word: "First layers", Value: "about " + count(facts.FirstLayers)}}
		return render(c, http.StatusOK, views.Export(p))
	}
}

func (s *Server) getExportZip() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		done, err := s.oneImport()
		if err != nil {
			return err
		}
		defer done()
		return s.sendZip(c, "basecourse-"+s.now().In(zone).Format("2006-01-02")+".zip", s.store.ExportZip)
	}
}

// sendZip sends a .zip while it is made. When that fails half way the connection
// is broken off, so that nobody takes a part for the whole.
func (s *Server) sendZip(c echo.Context, name string, write func(context.Context, io.Writer) error) error {
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, "application/zip")
	h.Set(echo.HeaderContentDisposition, `attachment; filename="`+name+`"`)
	if c.Request().Method == http.MethodHead {
		c.Response().WriteHeader(http.StatusOK)
		return nil
	}
	err := write(c.Request().Context(), c.Response())
	if err != nil && c.Response().Committed {
		s.log.Error("download broke off", "request", requestID(c), "route", pattern(c), "error", err.Error())
		panic(http.ErrAbortHandler)
	}
	if err != nil {
		h.Del(echo.HeaderContentDisposition)
	}
	return err
}
