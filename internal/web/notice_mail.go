package web

import (
	"context"
	"crypto/rand"
	"errors"
	"net/http"
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// linkKey makes the key of a link in a mail: 160 random bits.
func linkKey() (string, error) {
	var raw [20]byte
	_, err := rand.Read(raw[:])
	return tokenText.EncodeToString(raw[:]), err
}

// postMailAddress asks a mail address whether it is the person's.
func (s *Server) postMailAddress() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "address")
		if err != nil {
			return err
		}
		if !s.mailReady() {
			return fault.New(fault.Conflict, "No mail can be sent from this farm.")
		}
		ctx, address, wrong := c.Request().Context(), strings.TrimSpace(sent["address"]), ""
		if err := notices.CheckAddress(address); err != nil {
			wrong = "Mail address: " + err.Error() + "."
		} else {
			confirm, err := linkKey()
			if err != nil {
				return err
			}
			stop, err := linkKey()
			if err != nil {
				return err
			}
			err = s.store.AskAddress(ctx, who.Person, address, confirm, stop)
			var refusal *fault.Error
			if errors.As(err, &refusal) && refusal.Kind == fault.Conflict {
				wrong = refusal.Detail
			} else if err != nil {
				return err
			}
		}
		if wrong != "" {
			now, err := s.store.PersonNoticeSettings(ctx, who.Person)
			if err != nil {
				return err
			}
			return s.noticeSettings(c, http.StatusUnprocessableEntity, now, address, wrong)
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account/notices?saved=asked"))
	}
}

func (s *Server) postForgetAddress() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		if err := s.store.ForgetAddress(c.Request().Context(), who.Person); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account/notices?saved=forgotten"))
	}
}

// mailLink is a page behind a link in a mail. Looking changes nothing: programs
// that look at mails open every link in them.
type mailLink struct {
	title, words, submit, done string
	path                       string
	known                      func(s *Server, ctx context.Context, key string) (bool, error)
	act                        func(s *Server, ctx context.Context, key string) error
}

var confirmLink = mailLink{title: "Your mail address", words: "Notices you choose will be sent to this address. Each has a link that stops them.", submit: "It is my address",
	done: "The address is confirmed. Choose under What you are told what goes to it.", path: "/notices/confirm/",
	known: func(s *Server, ctx context.Context, key string) (bool, error) { return s.store.AddressAsked(ctx, key) },
	act:   func(s *Server, ctx context.Context, key string) error { return s.store.ConfirmAddress(ctx, key) }}

var stopLink = mailLink{title: "No more mail", words: "The address is forgotten here, and no more notices are sent to it. In the app they go on.", submit: "Send no more mail",
	done: "No more mail is sent to this address.", path: "/notices/stop/",
	known: func(s *Server, ctx context.Context, key string) (bool, error) { return s.store.StopKeyKnown(ctx, key) },
	act:   func(s *Server, ctx context.Context, key string) error { return s.store.StopMail(ctx, key) }}

// key gives the key of an address; what cannot be one is not found.
func (l *mailLink) key(c echo.Context) (string, error) {
	key := c.Param("key")
	if len(key) != tokenText.EncodedLen(20) || strings.Trim(key, "abcdefghijklmnopqrstuvwxyz0123456789") != "" {
		return "", fault.New(fault.NotFound, "There is nothing at this address.")
	}
	return key, nil
}

func getMailLink(l *mailLink) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c); err != nil {
				return err
			}
			key, err := l.key(c)
			if err != nil {
				return err
			}
			known, err := l.known(s, c.Request().Context(), key)
			if err != nil {
				return err
			}
			if !known {
				return fault.New(fault.NotFound, "There is nothing at this address. The link was used, or is too old.")
			}
			return render(c, http.StatusOK, views.MailLink(views.MailLinkPage{Shell: s.shell(c, l.title, ""), Words: l.words, Action: s.url(l.path + key), Submit: l.submit}))
		}
	}
}

func postMailLink(l *mailLink) func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			key, err := l.key(c)
			if err != nil {
				return err
			}
			// Mail programs send this field with their own button (RFC 8058).
			if _, err := readForm(c, "List-Unsubscribe"); err != nil {
				return err
			}
			if err := l.act(s, c.Request().Context(), key); err != nil {
				return err
			}
			return render(c, http.StatusOK, views.MailLink(views.MailLinkPage{Shell: s.shell(c, l.title, ""), Words: l.done}))
		}
	}
}
