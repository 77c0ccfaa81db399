package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"log/slog"
	"net/http"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// OfferFirstUse gives the path of a page that makes the first admin, good once and
// for a day; "" where somebody may sign in. Whoever started the program sees it on
// the server: that is how they are known.
func OfferFirstUse(ctx context.Context, st *store.Store) (string, error) {
	var raw [20]byte // 160 bits
	if _, err := rand.Read(raw[:]); err != nil {
		return "", err
	}
	key := tokenText.EncodeToString(raw[:])
	needed, err := st.OfferFirstUse(ctx, sha256.Sum256([]byte(key)))
	if err != nil || !needed {
		return "", err
	}
	return "/first-use/" + key, nil
}

// firstUse finds out whether the address is good; there is nothing at another one.
func (s *Server) firstUse(c echo.Context) (hash [32]byte, err error) {
	hash = sha256.Sum256([]byte(c.Param("key")))
	good, err := s.store.FirstUse(c.Request().Context(), hash)
	if err == nil && !good {
		err = fault.New(fault.NotFound, "There is nothing at this address. If nobody may sign in yet, start the program again: it prints a new one.")
	}
	return hash, err
}

func (s *Server) firstUsePage(c echo.Context, handle string, wrong map[string]string) views.FirstAdminPage {
	p := views.FirstAdminPage{Shell: s.shell(c, "The first admin", ""), Action: s.url("/first-use/" + c.Param("key"))}
	p.Fields = []views.Field{
		{Name: "handle", Label: "Handle", Kind: "text", Hint: "The short name you are known by here, for example amara.", Value: handle, Longest: 64, Wrong: wrong["handle"]},
	}
	p.Wrong = wrong["password"]
	for _, f := range []string{"handle", "password"} {
		if wrong[f] != "" {
			p.Problems = append(p.Problems, views.FormProblem{Field: f, Words: wrong[f]})
		}
	}
	return p
}

func (s *Server) getFirstUse() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		if _, err := s.firstUse(c); err != nil {
			return err
		}
		return render(c, http.StatusOK, views.FirstAdmin(s.firstUsePage(c, "", nil)))
	}
}

// postFirstUse makes the first admin and signs them in.
func (s *Server) postFirstUse() echo.HandlerFunc {
	return func(c echo.Context) error {
		use, err := s.firstUse(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "handle", "password")
		if err != nil {
			return err
		}
		ctx, handle, wrong := c.Request().Context(), handleOf(sent["handle"]), map[string]string{}
		if !farm.ValidKey(handle, 64) {
			wrong["handle"] = "A handle has 1 to 64 characters."
		}
		hash, err := s.hashPassword(ctx, sent["password"])
		var refusal *fault.Error
		if errors.As(err, &refusal) && refusal.Kind == fault.Invalid {
			wrong["password"] = sentence(refusal.Detail)
		} else if err != nil {
			return err
		}
		if len(wrong) > 0 {
			return render(c, http.StatusUnprocessableEntity, views.FirstAdmin(s.firstUsePage(c, strings.TrimSpace(sent["handle"]), wrong)))
		}
		if err := s.store.FirstAdmin(ctx, store.Act{Via: "page", Why: "first use"}, use, handle, hash); err != nil {
			return err
		}
		account, err := s.store.AccountByHandle(ctx, handle)
		if err != nil {
			return err
		}
		if err := s.beginSession(c, account); err != nil {
			return err
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "first admin made", slog.String("request", requestID(c)), slog.String("who", handle), slog.String("from", c.RealIP()))
		return c.Redirect(http.StatusSeeOther, s.url("/setup"))
	}
}
