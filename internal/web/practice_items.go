package web

import (
	"net/http"
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// getPracticePhoto serves the picture of an item.
func (s *Server) getPracticePhoto() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		x, err := s.practiceItem(c, c.Param("id"))
		if err != nil {
			return err
		}
		id, err := farm.NewID(farm.KindPhoto, x.Photo)
		if err != nil {
			return err
		}
		jpg, err := s.store.Picture(c.Request().Context(), id.UUID, false)
		if err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set("Cache-Control", "private, no-store")
		h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
		h.Set(echo.HeaderContentDisposition, `inline; filename="layer.jpg"`)
		return c.Blob(http.StatusOK, "image/jpeg", jpg)
	}
}

func (s *Server) practiceItem(c echo.Context, text string) (*farm.PracticeItem, error) {
	none := fault.New(fault.NotFound, "There is no such photo to practise on.")
	id, err := uuid.FromString(text)
	if err != nil {
		return nil, none
	}
	rec, err := s.store.Event(c.Request().Context(), farm.KindPracticeItem, farm.ID{UUID: id})
	if err != nil {
		return nil, err
	}
	x, ok := rec.(*farm.PracticeItem)
	if !ok || !x.VoidedAt.IsZero() {
		return nil, none
	}
	return x, nil
}

// getPracticeItems is where managers choose photos.
func (s *Server) getPracticeItems() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return s.showPracticeItems(c, http.StatusOK, "")
	}
}

func (s *Server) showPracticeItems(c echo.Context, status int, problem string) error {
	ctx, now := c.Request().Context(), s.now()
	settings, err := s.store.Settings(ctx)
	if err != nil {
		return err
	}
	zone := settings.Zone()
	p := views.PracticeItemsPage{Shell: withClock(s.shell(c, "Photos to practise on", ""), now, zone), Back: s.url("/practice"), Action: s.url("/practice/items"), Remove: s.url("/practice/items/remove"),
		Lead: "Choose photos that show one thing well, and say what they show. New graders see them among the drawn ones.", Grades: gradeOptions, Marks: markOptions("")}
	if problem != "" {
		p.Problems = []views.FormProblem{{Words: problem}}
	}
	items, err := s.store.PracticeItems(ctx, practiceItemsMost)
	if err != nil {
		return err
	}
	chosen := map[string]bool{}
	for _, x := range items {
		if id, err := farm.NewID(farm.KindPhoto, x.Photo); err == nil {
			chosen[id.UUID.String()] = true
		}
		p.Chosen = append(p.Chosen, views.PracticeChosen{ID: x.ID.UUID.String(), Src: s.url("/practice/items/" + x.ID.UUID.String() + "/photo/file"), Words: gradeWord(x.Grade) + ", " + marksSeen(strings.Fields(x.Shows)) + byWhom(x.Person)})
	}
	photos, err := s.store.LatestPhotos(ctx, practicePhotos+practiceItemsMost)
	if err != nil {
		return err
	}
	for _, x := range photos {
		if !chosen[x.ID.String()] && len(p.Photos) < practicePhotos {
			p.Photos = append(p.Photos, views.PracticePhoto{ID: x.ID.String(), Src: s.url("/photos/" + x.ID.String() + "/thumb/file"), Words: x.Printer + ", " + clock(x.TakenAt, zone)})
		}
	}
	if len(p.Photos) == 0 {
		p.Empty = "No photo of a first layer is kept that is not in the set. Photos are taken while grading."
	}
	return render(c, status, views.PracticeItems(p))
}

// postPracticeItem adds a photo to the set.
func (s *Server) postPracticeItem() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "photo", "grade", "shows", "why")
		if err != nil {
			return err
		}
		id, err := uuid.FromString(form["photo"])
		if err != nil {
			return badRequest(fault.Problem{Column: "photo", Found: form["photo"], Expected: "the id of a photo"})
		}
		rec, err := s.store.Event(c.Request().Context(), farm.KindPhoto, farm.ID{UUID: id})
		if err != nil {
			return err
		}
		photo, ok := rec.(*farm.Photo)
		if !ok || !photo.VoidedAt.IsZero() {
			return fault.New(fault.NotFound, "There is no such photo.")
		}
		why := strings.TrimSpace(form["why"])
		switch {
		case !slices.Contains(farm.Grades, form["grade"]):
			return s.showPracticeItems(c, http.StatusUnprocessableEntity, "Choose the grade that is right for the photo.")
		case len([]rune(why)) > 300:
			return s.showPracticeItems(c, http.StatusUnprocessableEntity, "Say why in up to 300 characters.")
		}
		shows := form["shows"]
		if shows == "none" {
			shows = ""
		}
		run, err := uuid.NewV7AtTime(s.now())
		if err != nil {
			return err
		}
		who := identity(c)
		if err := s.recordOwn(c, handRecord{kind: farm.KindPracticeItem, id: run, fields: map[string]string{"printer": photo.Printer, "photo": id.String(), "at": stamp(s.now()), "person": who.Handle, "noted_by": who.Handle, "grade": form["grade"], "shows": shows, "why": why}}); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/practice/items"))
	}
}

// postPracticeRemove takes a photo out of the set; it can be chosen again.
func (s *Server) postPracticeRemove() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "item")
		if err != nil {
			return err
		}
		x, err := s.practiceItem(c, form["item"])
		if err != nil {
			return err
		}
		if err := s.voidOwn(c, x.ID.UUID, "taken out of the practice"); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/practice/items"))
	}
}
