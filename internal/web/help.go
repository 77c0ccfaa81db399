package web

import (
	"net/http"

	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getHelp() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return render(c, http.StatusOK, views.Help(views.HelpPage{Shell: s.shell(c, "Help", ""), Bead: s.url("/bead"), API: s.url("/help/api"), Card: s.url("/help/grade-card"), People: s.url("/help/people")}))
	}
}

func (s *Server) getGradeCard() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return render(c, http.StatusOK, views.GradeCard(views.GradeCardPage{Shell: s.shell(c, "Grade card", ""), Grades: gradeOptions}))
	}
}

// firstSteps say how to begin a farm without printers, to whoever may.
func (s *Server) firstSteps(c echo.Context, text string) views.FirstSteps {
	f := views.FirstSteps{Text: text}
	f.Add, f.Import = s.open(c, "/setup/add-printer"), s.open(c, "/setup/import")
	return f
}

// open gives the address of a page to whoever may enter it, and "" to others.
func (s *Server) open(c echo.Context, path string) string {
	r, there := s.guards[http.MethodGet+" "+path]
	if !there || roleRank(identity(c).Role) < roleRank(r.Role) {
		return ""
	}
	return s.url(path)
}
