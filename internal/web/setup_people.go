package web

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// addAccounts adds to the list of people how they may sign in.
func (s *Server) addAccounts(ctx context.Context, t *views.Table, list []any) error {
	handles := make([]string, len(list))
	for i, rec := range list {
		handles[i] = rec.(*farm.Person).Handle
	}
	states, err := s.store.AccountStates(ctx, handles)
	if err != nil {
		return err
	}
	t.Columns = append(t.Columns, views.Column{Word: "Signs in"})
	for i := range t.Rows {
		t.Rows[i].Cells = append(t.Rows[i].Cells, views.Cell{Text: accountWord(states[handles[i]])})
	}
	return nil
}

func accountWord(a store.AccountState) string {
	switch {
	case a.DisabledAt != nil:
		return "switched off"
	case a.HasPassword:
		return "with a password"
	}
	if a.PinAt != nil {
		return "with a PIN, on tablets"
	}
	return "not yet: no password"
}

// addAccount adds a person's password, sessions and switch to their page.
func (s *Server) addAccount(ctx context.Context, p *views.SetupFormPage, form *thingForm, handle, here string) error {
	states, err := s.store.AccountStates(ctx, []string{handle})
	if err != nil {
		return err
	}
	a := states[handle]
	p.Account = []views.Fact{{Word: "Signs in", Value: accountWord(a)}}
	if a.HasPassword {
		p.Account = append(p.Account, views.Fact{Word: "Since", Value: clock(*a.Since, form.zone), Note: "when the password was set or they were signed out everywhere"})
	}
	if a.DisabledAt != nil {
		p.State = views.State{Code: "disabled", Word: "Switched off since " + clock(*a.DisabledAt, form.zone), Sign: "dashed"}
		if a.RemovedAt != nil {
			p.State.Word = "Name removed " + clock(*a.RemovedAt, form.zone)
			return nil
		}
		remove := func(word, note, days string) {
			p.Acts = append(p.Acts, views.SetupAct{Word: word, Action: here + "/remove", Note: note, Hidden: []views.Fact{{Word: "days", Value: days}}, Danger: days == "0"})
		}
		if a.RemoveAt != nil {
			p.State.Word += "; the name goes " + clock(*a.RemoveAt, form.zone)
			remove("Keep "+handle+"’s name", "It does not go after all.", "")
		} else {
			remove("Remove "+handle+"’s name in 30 days", "Name, handle and sign-in go; what they recorded stays under a number.", "30")
		}
		remove("Remove "+handle+"’s name now", "Within a minute. It cannot be undone.", "0")
		p.Acts = append(p.Acts, views.SetupAct{Word: "Switch " + handle + " on again", Action: here + "/on", Note: "They may sign in again."})
		return nil
	}
	p.Pin = views.PinForm{Action: here + "/pin", Word: "Set a PIN", Wrong: form.pin}
	if a.PinAt != nil {
		p.Pin.Word = "Reset the PIN"
		p.Account = append(p.Account, views.Fact{Word: "PIN", Value: "set " + clock(*a.PinAt, form.zone), Note: "for shared tablets"})
		p.Acts = append(p.Acts, views.SetupAct{Word: "Take " + handle + "’s PIN away", Action: here + "/pin-off", Note: "They are not offered on shared tablets any more."})
	}
	p.Password = views.PasswordForm{Action: here + "/password", Handle: handle, Word: "Set the password", Wrong: form.password}
	if a.HasPassword {
		p.Password.Word = "Reset the password"
	}
	if a.HasPassword || a.PinAt != nil {
		p.Acts = append(p.Acts, views.SetupAct{Word: "Sign " + handle + " out everywhere", Action: here + "/sign-out", Note: "Every device asks who is there again."})
	}
	if a.Factor {
		p.Account = append(p.Account, views.Fact{Word: "Second factor", Value: "on"})
		p.Acts = append(p.Acts, views.SetupAct{Word: "Switch " + handle + "’s second factor off", Action: here + "/second-factor", Note: "For a lost device. They sign in with the password alone until they set up another.", Danger: true})
	}
	if a.LinkedAt != nil {
		p.Account = append(p.Account, views.Fact{Word: "Sign-in provider", Value: "linked " + clock(*a.LinkedAt, form.zone)})
		p.Acts = append(p.Acts, views.SetupAct{Word: "Take " + handle + "’s link with the sign-in provider away", Action: here + "/provider-off", Note: "They sign in with their password until they link again. Every device asks who is there again.", Danger: true})
	}
	p.Acts = append(p.Acts, views.SetupAct{Word: "Switch " + handle + " off", Action: here + "/off", Note: "They may not sign in; what they recorded stays.", Danger: true})
	return nil
}

// postPassword sets or resets a person's password.
func (s *Server) postPassword() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := s.openSetup(c, setupPeople)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "handle", "password")
		if err != nil {
			return err
		}
		ctx, handle := c.Request().Context(), setupPeople.nameOf(form.before)
		hash, err := s.hashPassword(ctx, sent["password"])
		var refusal *fault.Error
		if errors.As(err, &refusal) && refusal.Kind == fault.Invalid {
			form.password = sentence(refusal.Detail)
			form.heading = "The password is not set"
			form.problems = []fault.Problem{{Column: "password", Expected: form.password, Found: meanwhileMark}}
			return s.renderThing(c, http.StatusUnprocessableEntity, form)
		}
		if err != nil {
			return err
		}
		if err := s.store.SetPassword(ctx, pageAct(c), handle, hash); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "password set", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("of", handle))
		return s.toPerson(c, handle, "password")
	}
}

// hashPassword checks a new password and hashes it, a few at once.
func (s *Server) hashPassword(ctx context.Context, password string) (string, error) {
	return s.hashed(ctx, func() (string, error) { return HashPassword(password) })
}

// hashed makes a hash when there is a place for its memory.
func (s *Server) hashed(ctx context.Context, do func() (string, error)) (string, error) {
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return "", fault.Wrap(fault.Busy, ctx.Err(), "Too many are signing in at once. Try again in a moment.")
	}
	return do()
}

func (s *Server) toPerson(c echo.Context, handle, saved string) error {
	if who := identity(c); who.Handle == handle && saved != "on" {
		return c.Redirect(http.StatusSeeOther, s.url("/sign-in")) // their own sessions ended with it
	}
	return c.Redirect(http.StatusSeeOther, s.url("/setup/people/"+url.PathEscape(handle)+"?saved="+saved))
}

// postRemove sets when a leaver's name goes: now, in 30 days, or not at all.
func (s *Server) postRemove() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := s.openSetup(c, setupPeople)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "days")
		if err != nil {
			return err
		}
		days, known := map[string]time.Duration{"": -1, "0": 0, "30": 30 * 24 * time.Hour}[sent["days"]]
		if !known {
			return badRequest(fault.Problem{Column: "days", Found: sent["days"], Expected: "0, 30 or nothing"})
		}
		var at time.Time
		saved := "keep"
		if days >= 0 {
			at, saved = s.store.Now().Add(days), "remove"
		}
		ctx, handle := c.Request().Context(), setupPeople.nameOf(form.before)
		if err := s.store.RemoveLater(ctx, pageAct(c), handle, at); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "removal set", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("of", handle), slog.String("days", sent["days"]))
		return s.toPerson(c, handle, saved)
	}
}

// logRole tells the log when somebody got other rights.
func (s *Server) logRole(c echo.Context, form *thingForm) {
	was, person := form.before.(*farm.Person)
	if is, ok := form.after.(*farm.Person); person && ok && is.Role != was.Role {
		s.log.LogAttrs(c.Request().Context(), slog.LevelInfo, "role changed", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("of", is.Handle), slog.String("from", was.Role), slog.String("to", is.Role))
	}
}

// personAct is a button about one person: nothing is sent with it.
func personAct(saved string, do func(*store.Store, context.Context, store.Act, string) error) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			form, err := s.openSetup(c, setupPeople)
			if err != nil {
				return err
			}
			if _, err := readForm(c); err != nil {
				return err
			}
			ctx, handle := c.Request().Context(), setupPeople.nameOf(form.before)
			err = do(s.store, ctx, pageAct(c), handle)
			if fault.Is(err, fault.Conflict) {
				form.heading = "Not done"
				if err := form.take(err); err != nil {
					return err
				}
				return s.renderThing(c, http.StatusConflict, form)
			}
			if err != nil {
				return err
			}
			s.log.LogAttrs(ctx, slog.LevelInfo, "account changed", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("of", handle), slog.String("act", saved))
			return s.toPerson(c, handle, saved)
		}
	}
}
