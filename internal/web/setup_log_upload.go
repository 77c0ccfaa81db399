package web

import (
	"context"
	"net/http"
	"os"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// logPage adds to the page of an upload what a log has beside a bundle.
func logPage(p *views.UploadPage, u store.Upload, here, undone, made string) {
	p.Here, p.Mapping = here, here+"/mapping"
	if n, err := strconv.Atoi(undone); err == nil {
		p.Done = counted(n, "record was", "records were") + " taken back."
	}
	if n, err := strconv.Atoi(made); err == nil && n > 0 {
		p.Done = counted(n, "was", "were") + " created."
	}
	if u.Report.ProblemsTotal > 0 {
		p.Download = here + "/refused.zip"
	}
	p.Undo = u.Stored != "nothing" && u.Report.Act != 0
	// A log changes no things: there is nothing to check again with.
	acts := p.Acts[:0]
	for _, a := range p.Acts {
		if !strings.HasPrefix(a.Act, "check") {
			acts = append(acts, a)
		}
	}
	p.Acts = acts
	for i := range u.Report.Files {
		if n := u.Report.Files[i].LeftOut; n > 0 {
			p.Files.Sub = counted(n, "row is", "rows are") + " left out by the mapping"
		}
	}
	if u.Stored != "nothing" {
		return
	}
	printers, plates := false, false
	for _, x := range u.Report.Unknown {
		p.Unknown = append(p.Unknown, sentenceCase(string(x.Kind))+" "+x.Name)
		printers, plates = printers || x.Kind == farm.KindPrinter, plates || x.Kind == farm.KindPlate
	}
	if printers {
		p.Create = append(p.Create, views.Field{Name: "bed_x_mm", Label: "Bed width of these printers", Kind: "number", Unit: "mm", Hint: "The same for all of them; change single ones afterwards."},
			views.Field{Name: "bed_y_mm", Label: "Bed depth of these printers", Kind: "number", Unit: "mm"})
	}
	if plates {
		f := views.Field{Name: "surface", Label: "Surface of these plates", Kind: "select", Options: []views.Option{{Word: "Choose one"}}}
		for _, code := range farm.Surfaces {
			f.Options = append(f.Options, views.Option{Value: code, Word: wordFor1(surfaceWords, code)})
		}
		p.Create = append(p.Create, f)
	}
}

// postLogUpload imports a log, takes it back, or creates what it names.
func (s *Server) postLogUpload(c echo.Context, u store.Upload, sent map[string]string) error {
	ctx, here := c.Request().Context(), s.url("/setup/import/"+u.ID.String())
	done, err := s.oneImport()
	if err != nil {
		return err
	}
	defer done()
	_, data, m, err := s.openLog(c)
	if err != nil {
		return err
	}
	if problems := m.Problems(); len(problems) > 0 {
		return c.Redirect(http.StatusSeeOther, here+"/mapping")
	}
	switch sent["act"] {
	case "import", "partial":
		if u.Stored != "nothing" {
			return c.Redirect(http.StatusSeeOther, here)
		}
		return s.importLog(c, u, data, m, sent["act"] == "partial")
	case "undo":
		why := strings.TrimSpace(sent["why"])
		if why == "" || len(why) > 1000 {
			return fault.New(fault.Invalid, "Say why the import is taken back, in up to 1000 characters: it stays with every record. Nothing was changed.")
		}
		if u.Stored == "nothing" || u.Report.Act == 0 {
			return c.Redirect(http.StatusSeeOther, here)
		}
		act := pageAct(c)
		act.Why = why
		n, err := s.store.UndoImport(ctx, act, u.Report.Act, why)
		if err != nil {
			return err
		}
		if err := s.checkLog(context.WithoutCancel(ctx), c, u, data, m); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, here+"?undone="+strconv.Itoa(n))
	case "create":
		n, err := s.createUnknown(c, u, sent)
		if err != nil {
			return err
		}
		if err := s.checkLog(ctx, c, u, data, m); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, here+"?made="+strconv.Itoa(n))
	}
	return badRequest(fault.Problem{Column: "act", Found: sent["act"], Expected: "one of the page's own buttons"})
}

func (s *Server) importLog(c echo.Context, u store.Upload, data []byte, m *intake.Mapping, partial bool) error {
	dir, err := s.uploadFolder()
	if err != nil {
		return err
	}
	defer func() { _ = os.RemoveAll(dir) }()
	opt := store.ImportOptions{Partial: partial}
	if partial {
		opt.RefusedDir = dir + "/refused"
	}
	if err := s.importUpload(c, u, logSource(u, data, m), opt); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, s.url("/setup/import/"+u.ID.String()))
}

// createUnknown creates the printers and plates that the log names and nobody
// knows, each kind in one act.
func (s *Server) createUnknown(c echo.Context, u store.Upload, sent map[string]string) (int, error) {
	n := 0
	for _, kind := range []farm.Kind{farm.KindPrinter, farm.KindPlate} {
		t := intake.TableOf(kind)
		var edits []store.ThingEdit
		for _, x := range u.Report.Unknown {
			if x.Kind != kind {
				continue
			}
			texts := map[string]string{t.Fields[0].Name: x.Name}
			for _, name := range []string{"bed_x_mm", "bed_y_mm", "surface"} {
				if t.Field(name) >= 0 {
					texts[name] = tidyNumber(strings.TrimSpace(sent[name]))
				}
			}
			rec := t.New()
			if problems := intake.ParseFields(t, rec, texts, s.now()); len(problems) > 0 {
				return n, fault.New(fault.Invalid, "%s: %s. Nothing of that kind was created.", sentenceCase(string(kind))+" "+x.Name, problems[0].String())
			}
			edits = append(edits, store.ThingEdit{After: rec})
		}
		if len(edits) == 0 {
			continue
		}
		if err := s.store.SaveThings(c.Request().Context(), pageAct(c), kind, edits...); err != nil {
			return n, err
		}
		n += len(edits)
	}
	return n, nil
}
