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

	"basecourse/internal/farm"
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
	mappings, _, err := s.store.Things(ctx, farm.KindMapping, "", 0, 100)
	if err != nil {
		return err
	}
	p.LogAction, p.Kinds = s.url("/setup/import/logs"), kindOptions(farm.KindFirstLayer)
	if len(mappings) > 0 {
		p.MappingsAt = s.open(c, "/setup/mappings")
	}
	for _, rec := range mappings {
		if m := rec.(*farm.LogMapping); m.RetiredAt.IsZero() {
			p.Mappings = append(p.Mappings, m.Mapping)
		}
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
