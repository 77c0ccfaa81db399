package web

import (
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

func (s *Server) getTokens() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		list, err := s.store.Tokens(ctx)
		if err != nil {
			return err
		}
		p := views.SetupListPage{Shell: withClock(s.shell(c, "Tokens", "/setup"), now, zone), Crumb: s.url("/setup"),
			Lead: "Keys for machines and scripts that send or read records.", WhatIs: []views.HelpLink{{ID: "token", Word: "a token"}, {ID: "role", Word: "a role"}},
			AddHref: s.url("/setup/add-token"), AddWord: "Make a token", Notice: savedWords[c.QueryParam("saved")]}
		if len(list) == 0 {
			p.Empty = "No tokens yet. A machine that sends its own starts needs one."
			return render(c, http.StatusOK, views.SetupList(p))
		}
		p.Table = views.Table{Caption: "Tokens", Sub: listSub(1, len(list), len(list)), Columns: []views.Column{{Word: "Name"}, {Word: "Role"}, {Word: "State"}, {Word: "Last used"}, {Word: "Runs out", Wide: true}, {Word: "Made", Wide: true}}}
		for _, t := range list {
			p.Table.Rows = append(p.Table.Rows, views.Row{Cells: []views.Cell{{Text: t.Name, Href: s.url("/setup/tokens/" + url.PathEscape(t.Name))}, {Text: wordFor(roleWords, t.Role)}, {Text: tokenState(t, now)},
				{Text: orNever(t.LastUsedAt, now)}, {Text: orDash(t.ExpiresAt, zone)}, {Text: clock(t.CreatedAt, zone)}}})
		}
		return render(c, http.StatusOK, views.SetupList(p))
	}
}

func tokenState(t store.TokenRow, now time.Time) string {
	switch {
	case t.RevokedAt != nil:
		return "revoked"
	case t.ExpiresAt != nil && !t.ExpiresAt.After(now):
		return "ran out"
	}
	return "in force"
}

func orNever(t *time.Time, now time.Time) string {
	if t == nil {
		return "never"
	}
	return ago(*t, now)
}

func orDash(t *time.Time, zone *time.Location) string {
	if t == nil {
		return "–"
	}
	return clock(*t, zone)
}

// tokenFields are the questions of the form.
func tokenFields(sent map[string]string, wrong map[string]string) []views.Field {
	role := views.Field{Name: "role", Label: "Role", Kind: "select", Hint: "The least that does the work: an operator's token records and reads.", Wrong: wrong["role"]}
	for _, code := range []string{roleOperator, roleManager, roleAdmin} {
		role.Options = append(role.Options, views.Option{Value: code, Word: wordFor(roleWords, code), Chosen: code == either(sent["role"], roleOperator)})
	}
	return []views.Field{
		{Name: "name", Label: "Name", Kind: "text", Hint: "What it is for, for example gateway back room.", Value: sent["name"], Longest: 64, Wrong: wrong["name"]},
		role,
		{Name: "expires", Label: "Runs out", Kind: "when", Hint: "Left empty: it does not. Farm time.", Optional: true, Value: sent["expires"], Wrong: wrong["expires"]},
	}
}

func (s *Server) tokenPage(c echo.Context, title string, zone *time.Location) views.TokenPage {
	return views.TokenPage{Shell: withClock(s.shell(c, title, "/setup"), s.now(), zone), Action: s.url("/setup/add-token"),
		Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Tokens", Href: s.url("/setup/tokens")}}}
}

func (s *Server) getAddToken() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		p := s.tokenPage(c, "Make a token", zone)
		p.Fields = tokenFields(nil, nil)
		return render(c, http.StatusOK, views.Token(p))
	}
}

// postAddToken makes a token and shows it this once: it is in the answer to the
// form and nowhere else.
func (s *Server) postAddToken() echo.HandlerFunc {
	return func(c echo.Context) error {
		sent, err := readForm(c, "name", "role", "expires")
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		name := strings.TrimSpace(sent["name"])
		wrong := map[string]string{}
		var expires time.Time
		if text := strings.TrimSpace(sent["expires"]); text != "" {
			var ok bool
			switch expires, ok = localTime(text, zone); {
			case !ok:
				wrong["expires"] = "Runs out: write it like 2026-12-31 18:00."
			case !expires.After(s.store.Now()):
				wrong["expires"] = "Runs out: it lies in the past."
			}
		}
		if name == "" {
			wrong["name"] = "Name is needed."
		}
		if roleRank(sent["role"]) < roleRank(roleOperator) {
			wrong["role"] = "Role: choose one."
		}
		var token string
		if len(wrong) == 0 {
			token, err = makeToken(ctx, s.store, pageAct(c), name, sent["role"], expires)
			var refusal *fault.Error
			if errors.As(err, &refusal) && (refusal.Kind == fault.Conflict || refusal.Kind == fault.Invalid) {
				wrong["name"] = sentence(refusal.Detail)
			} else if err != nil {
				return err
			}
		}
		if len(wrong) > 0 {
			p := s.tokenPage(c, "Make a token", zone)
			p.Fields, p.Trouble = tokenFields(sent, wrong), "Not made yet"
			for _, f := range []string{"name", "role", "expires"} {
				if wrong[f] != "" {
					p.Problems = append(p.Problems, views.FormProblem{Field: f, Words: wrong[f]})
				}
			}
			return render(c, http.StatusUnprocessableEntity, views.Token(p))
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "token made", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("token", name), slog.String("role", sent["role"]))
		p := s.tokenPage(c, "Token "+name, zone)
		p.Made = token
		p.MadeNote = "It is sent as “Authorization: Bearer” and the token. It is not kept here and cannot be shown again; if it is lost, revoke it and make another."
		return render(c, http.StatusOK, views.Token(p))
	}
}

func (s *Server) getToken() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		t, err := s.token(c)
		if err != nil {
			return err
		}
		changes, err := s.store.ThingChanges(ctx, 50, store.ThingName{Kind: "token", Name: t.Name})
		if err != nil {
			return err
		}
		p := views.TokenShow{Shell: withClock(s.shell(c, "Token "+t.Name, "/setup"), now, zone), Changes: changesTable(changes, zone), Saved: savedWords[c.QueryParam("saved")],
			Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Tokens", Href: s.url("/setup/tokens")}},
			Facts: []views.Fact{{Word: "State", Value: tokenState(t, now)}, {Word: "Role", Value: wordFor(roleWords, t.Role)}, {Word: "Made", Value: clock(t.CreatedAt, zone)},
				{Word: "Last used", Value: orNever(t.LastUsedAt, now)}, {Word: "Runs out", Value: orDash(t.ExpiresAt, zone)}}}
		if t.RevokedAt == nil {
			p.Revoke = views.SetupAct{Word: "Revoke " + t.Name, Note: "Whatever uses it is refused from then on. It cannot be undone.", Action: s.url("/setup/tokens/" + url.PathEscape(t.Name)), Danger: true}
		}
		return render(c, http.StatusOK, views.TokenPageShow(p))
	}
}

// token finds the token an address names.
func (s *Server) token(c echo.Context) (store.TokenRow, error) {
	name, err := tagParam(c, "tag")
	if err != nil {
		return store.TokenRow{}, err
	}
	list, err := s.store.Tokens(c.Request().Context())
	if err != nil {
		return store.TokenRow{}, err
	}
	for _, t := range list {
		if t.Name == name {
			return t, nil
		}
	}
	return store.TokenRow{}, fault.New(fault.NotFound, "There is no token %s.", fault.Quote(name))
}

func (s *Server) postRevoke() echo.HandlerFunc {
	return func(c echo.Context) error {
		t, err := s.token(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		ctx := c.Request().Context()
		if err := s.store.RevokeToken(ctx, pageAct(c), t.Name); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "token revoked", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("token", t.Name))
		return c.Redirect(http.StatusSeeOther, s.url("/setup/tokens/"+url.PathEscape(t.Name)+"?saved=revoked"))
	}
}
