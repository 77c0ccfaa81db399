package web

import (
	"context"
	"io"
	"net/http"

	"basecourse/internal/intake"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

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
