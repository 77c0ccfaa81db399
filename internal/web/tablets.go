package web

import (
	"encoding/base64"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
	qr "github.com/piglig/go-qr"
)

func (s *Server) getTablets() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		list, err := s.store.Tablets(ctx)
		if err != nil {
			return err
		}
		p := views.SetupListPage{Shell: withClock(s.shell(c, "Tablets", "/setup"), now, zone), Crumb: s.url("/setup"),
			Lead: "Shared devices. People change over on them with a PIN; everybody has an operator’s rights there.", AddHref: s.url("/setup/add-tablet"), AddWord: "Add a tablet"}
		if len(list) == 0 {
			p.Empty = "No shared tablets yet. Add one, then open the address it gives on the tablet."
			return render(c, http.StatusOK, views.SetupList(p))
		}
		p.Table = views.Table{Caption: "Tablets", Sub: listSub(1, len(list), len(list)), Columns: []views.Column{{Word: "Name"}, {Word: "Bay", Wide: true}, {Word: "State"}, {Word: "Last seen"}, {Word: "Not sent", Number: true}}}
		for i := range list {
			t := &list[i]
			p.Table.Rows = append(p.Table.Rows, views.Row{Cells: []views.Cell{{Text: t.Name, Href: s.tabletHref(t.ID)}, {Text: either(t.Bay, "–")}, {Text: tabletState(t, now).Word},
				{Text: orNever(t.LastSeenAt, now)}, {Text: unsentWord(t)}}})
		}
		return render(c, http.StatusOK, views.SetupList(p))
	}
}

func (s *Server) tabletHref(id int32) string { return s.url("/setup/tablets/" + strconv.Itoa(int(id))) }

func tabletState(t *store.Tablet, now time.Time) views.State {
	switch {
	case t.RevokedAt != nil:
		return views.State{Code: "revoked", Word: "Revoked", Sign: "dashed"}
	case t.EnrolledAt != nil:
		return views.State{Code: "enrolled", Word: "Enrolled"}
	case t.CodeUntil != nil && t.CodeUntil.After(now):
		return views.State{Code: "offered", Word: "Waits for the tablet to take its code", Sign: "clock", Tone: "soon"}
	}
	return views.State{Code: "none", Word: "Not enrolled: its code ran out", Sign: "clock", Tone: "soon"}
}

func unsentWord(t *store.Tablet) string {
	if t.Unsent == nil {
		return "no record"
	}
	return count(*t.Unsent)
}

// tabletFields are the questions about a tablet.
func tabletFields(name, bay string, wrong map[string]string) []views.Field {
	return []views.Field{
		{Name: "name", Label: "Name", Kind: "text", Hint: "As it is marked, for example Bay 2 left.", Value: name, Longest: 64, Wrong: wrong["name"]},
		{Name: "bay", Label: "Bay", Kind: "text", Hint: "Where it is used.", Value: bay, Longest: 64, Optional: true, Wrong: wrong["bay"]},
	}
}

// tabletForm reads a tablet's name and bay and says what is wrong with them.
func tabletForm(c echo.Context) (name, bay string, wrong map[string]string, err error) {
	sent, err := readForm(c, "name", "bay")
	if err != nil {
		return "", "", nil, err
	}
	name, bay, wrong = strings.TrimSpace(sent["name"]), strings.TrimSpace(sent["bay"]), map[string]string{}
	if !farm.ValidKey(name, 64) {
		wrong["name"] = "Name: 1 to 64 characters are needed."
	}
	if bay != "" && !farm.ValidKey(bay, 64) {
		wrong["bay"] = "Bay: up to 64 characters."
	}
	return name, bay, wrong, nil
}

func (s *Server) tabletPage(c echo.Context, title string, zone *time.Location) views.TabletPage {
	return views.TabletPage{Shell: withClock(s.shell(c, title, "/setup"), s.now(), zone), Submit: "Save",
		Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Tablets", Href: s.url("/setup/tablets")}}}
}

func (s *Server) addTablet(c echo.Context, status int, name, bay string, wrong map[string]string) error {
	zone, err := s.farmZone(c.Request().Context())
	if err != nil {
		return err
	}
	p := s.tabletPage(c, "Add a tablet", zone)
	p.Action, p.Submit, p.Fields = s.url("/setup/add-tablet"), "Make its code", tabletFields(name, bay, wrong)
	p.Trouble, p.Problems = wrongFields("Not added yet", wrong)
	return render(c, status, views.TabletShow(p))
}

func wrongFields(heading string, wrong map[string]string) (string, []views.FormProblem) {
	var list []views.FormProblem
	for _, f := range []string{"name", "bay", "reason"} {
		if wrong[f] != "" {
			list = append(list, views.FormProblem{Field: f, Words: wrong[f]})
		}
	}
	if len(list) == 0 {
		heading = ""
	}
	return heading, list
}

func (s *Server) getAddTablet() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		return s.addTablet(c, http.StatusOK, "", "", nil)
	}
}

// postAddTablet adds a tablet and shows its code this once.
func (s *Server) postAddTablet() echo.HandlerFunc {
	return func(c echo.Context) error {
		name, bay, wrong, err := tabletForm(c)
		if err != nil {
			return err
		}
		if len(wrong) > 0 {
			return s.addTablet(c, http.StatusUnprocessableEntity, name, bay, wrong)
		}
		code, hash, err := newSecret("", codeLetters)
		if err != nil {
			return err
		}
		ctx, until := c.Request().Context(), s.store.Now().Add(codeLasts)
		id, err := s.store.AddTablet(ctx, pageAct(c), name, bay, hash, until)
		var refusal *fault.Error
		if errors.As(err, &refusal) && refusal.Kind == fault.Conflict {
			return s.addTablet(c, http.StatusUnprocessableEntity, name, bay, map[string]string{"name": sentence(refusal.Detail)})
		}
		if err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "tablet added", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("tablet", name))
		return s.showTablet(c, http.StatusOK, id, code, nil)
	}
}

// tabletOf finds the tablet an address names.
func (s *Server) tabletOf(c echo.Context) (store.Tablet, error) {
	n, err := strconv.ParseInt(c.Param("id"), 10, 32)
	if err != nil {
		return store.Tablet{}, fault.New(fault.NotFound, "There is no such tablet.")
	}
	return s.store.Tablet(c.Request().Context(), int32(n))
}

func (s *Server) getTablet() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		t, err := s.tabletOf(c)
		if err != nil {
			return err
		}
		return s.showTablet(c, http.StatusOK, t.ID, "", nil)
	}
}

// showTablet shows a tablet, a code that was just made, and what is wrong with a
// form that was sent.
func (s *Server) showTablet(c echo.Context, status int, id int32, code string, wrong map[string]string) error {
	ctx, now := c.Request().Context(), s.now()
	t, err := s.store.Tablet(ctx, id)
	if err != nil {
		return err
	}
	zone, err := s.farmZone(ctx)
	if err != nil {
		return err
	}
	changes, err := s.store.ThingChanges(ctx, 50, store.ThingName{Kind: store.KindTablet, Name: strconv.Itoa(int(t.ID))})
	if err != nil {
		return err
	}
	p, here := s.tabletPage(c, t.Name, zone), s.tabletHref(t.ID)
	p.State, p.Changes, p.Saved = tabletState(&t, now), changesTable(changes, zone), savedWords[c.QueryParam("saved")]
	p.Action, p.Fields = here, tabletFields(t.Name, t.Bay, wrong)
	p.Trouble, p.Problems = wrongFields("Not done yet", wrong)
	p.Facts = []views.Fact{{Word: "Added", Value: clock(t.MadeAt, zone)}, {Word: "Enrolled", Value: orDash(t.EnrolledAt, zone)}, {Word: "Last seen", Value: orNever(t.LastSeenAt, now)}, {Word: "Not sent", Value: unsentWord(&t)}}
	if t.UnsentAt != nil {
		p.Facts[3].Note = "as it said " + ago(*t.UnsentAt, now)
	}
	if t.RevokedAt != nil {
		p.Facts = append(p.Facts, views.Fact{Word: "Revoked", Value: clock(*t.RevokedAt, zone), Note: t.RevokeReason})
	} else {
		p.Revoke = here + "/revoke"
		p.Reason = views.Field{Name: "reason", Label: "Why it is revoked", Kind: "text", Hint: "For example lost, or broken.", Longest: 500, Wrong: wrong["reason"]}
	}
	p.Offer = views.SetupAct{Word: "Make a new code", Action: here + "/code", Note: "For this tablet after its browser was cleared, or for another in its place. Whichever takes the code is this tablet from then on."}
	if code != "" {
		p.Address = s.publicAddress(c) + "/enrol"
		p.Code, p.Until = spaced(code), clock(*t.CodeUntil, zone)
		if p.Picture, err = codePicture(p.Address + "?" + url.Values{"code": {p.Code}}.Encode()); err != nil {
			return err
		}
	}
	return render(c, status, views.TabletShow(p))
}

// codePicture draws an address for a camera, as a data address.
func codePicture(text string) (string, error) {
	code, err := qr.EncodeText(text, qr.Medium)
	if err != nil {
		return "", err
	}
	svg, err := code.ToSVGBytes(qr.NewQrCodeImgConfig(8, 4, qr.WithOptimalSVG()))
	if err != nil {
		return "", err
	}
	return "data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(svg), nil
}

// postTablet gives a tablet another name or bay.
func (s *Server) postTablet() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.tabletOf(c)
		if err != nil {
			return err
		}
		name, bay, wrong, err := tabletForm(c)
		if err != nil {
			return err
		}
		if len(wrong) == 0 {
			err = s.store.ChangeTablet(c.Request().Context(), pageAct(c), t.ID, name, bay)
			var refusal *fault.Error
			if errors.As(err, &refusal) && refusal.Kind == fault.Conflict {
				wrong["name"] = sentence(refusal.Detail)
			} else if err != nil {
				return err
			}
		}
		if len(wrong) > 0 {
			return s.showTablet(c, http.StatusUnprocessableEntity, t.ID, "", wrong)
		}
		return c.Redirect(http.StatusSeeOther, s.tabletHref(t.ID)+"?saved=yes")
	}
}

// postTabletCode makes a new code and shows it this once.
func (s *Server) postTabletCode() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.tabletOf(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		code, hash, err := newSecret("", codeLetters)
		if err != nil {
			return err
		}
		if err := s.store.OfferTablet(c.Request().Context(), pageAct(c), t.ID, hash, s.store.Now().Add(codeLasts)); err != nil {
			return err
		}
		return s.showTablet(c, http.StatusOK, t.ID, code, nil)
	}
}

func (s *Server) postTabletRevoke() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.tabletOf(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "reason")
		if err != nil {
			return err
		}
		reason := strings.TrimSpace(sent["reason"])
		if reason == "" || len(reason) > 1000 {
			return s.showTablet(c, http.StatusUnprocessableEntity, t.ID, "", map[string]string{"reason": "Say why, in up to 1000 characters."})
		}
		ctx := c.Request().Context()
		if err := s.store.RevokeTablet(ctx, pageAct(c), t.ID, reason); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "tablet revoked", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("tablet", t.Name))
		return c.Redirect(http.StatusSeeOther, s.tabletHref(t.ID)+"?saved=revoked")
	}
}
