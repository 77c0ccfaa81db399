package web

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

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
		if err := onlyParams(c, "undone", "made"); err != nil {
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
		if u.Mapping != "" && len(u.Report.Files) == 0 {
			return c.Redirect(http.StatusSeeOther, here+"/mapping")
		}
		p := uploadPage(u, here)
		if u.Mapping != "" {
			logPage(&p, u, here, c.QueryParam("undone"), c.QueryParam("made"))
		}
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
		there := views.Cell{Text: count(f.AlreadyRecorded)}
		if f.TakenBack > 0 {
			there.Note = count(f.TakenBack) + " by an import that was undone: they stay taken back; recorded again they need other ids"
		}
		p.Files.Rows = append(p.Files.Rows, views.Row{Strong: f.Refused > 0, Cells: []views.Cell{{Text: f.File}, {Text: count(f.Rows)}, {Text: count(f.Recorded)}, there, {Text: count(f.Refused)}}})
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
		sent, err := readForm(c, "act", "why", "bed_x_mm", "bed_y_mm", "surface")
		if err != nil {
			return err
		}
		u, err := s.upload(c)
		if err != nil {
			return err
		}
		if u.Mapping != "" && sent["act"] != "drop" {
			return s.postLogUpload(c, u, sent)
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
		if err := s.importUpload(c, u, source, opt); err != nil {
			return err
		}
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

// importUpload stores what was sent, counts it, and keeps what came of it with the
// upload.
func (s *Server) importUpload(c echo.Context, u store.Upload, source intake.Source, opt store.ImportOptions) error {
	ctx := c.Request().Context()
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
	return nil
}

func (s *Server) noteImport(ctx context.Context, u store.Upload, report store.Report, opt store.ImportOptions) error {
	kept := store.UploadReport{Report: report, Rows: report.Refused}
	switch {
	case !report.Stored: // the farm changed since the check
		return s.store.NoteUpload(ctx, u.ID, u.Change, "nothing", kept, nil)
	case report.ProblemsTotal == 0:
		return s.store.NoteUpload(ctx, u.ID, u.Change, "all", kept, nil)
	}
	return s.noteRefused(ctx, u, "good_rows", report, opt)
}

// noteRefused keeps a report with its refused rows as a .zip.
func (s *Server) noteRefused(ctx context.Context, u store.Upload, stored string, report store.Report, opt store.ImportOptions) error {
	kept := store.UploadReport{Report: report, Rows: report.Refused}
	if report.ProblemsTotal == 0 {
		return s.store.NoteUpload(ctx, u.ID, u.Change, stored, kept, nil)
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
	return s.store.NoteUpload(ctx, u.ID, u.Change, stored, kept, file)
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
		if u.Stored != "good_rows" && (u.Mapping == "" || u.Report.ProblemsTotal == 0) {
			return fault.New(fault.NotFound, "This upload has no refused rows to download.")
		}
		return s.sendZip(c, "refused.zip", func(ctx context.Context, w io.Writer) error {
			return s.store.WriteUpload(ctx, u.ID, store.UploadRefused, w)
		})
	}
}
