package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"net/url"
	"strings"
	"syscall"

	"basecourse/internal/fault"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Problem is an RFC 9457 problem as the API answers it.
type Problem struct {
	Type     string          `json:"type"`
	Title    string          `json:"title"`
	Status   int             `json:"status"`
	Detail   string          `json:"detail,omitempty"`
	Problems []fault.Problem `json:"problems,omitempty"`
	Instance string          `json:"instance,omitempty"` // urn of the request in the log, for internal errors
}

var problemTitles = map[fault.Kind]string{
	fault.Invalid:         "What was sent does not fit",
	fault.Conflict:        "Other content stands under this id",
	fault.NotFound:        "There is no such thing",
	fault.Forbidden:       "This may not be done by this sender",
	fault.Unauthenticated: "Nobody is signed in",
	fault.TooLarge:        "More than is taken at once",
	fault.Busy:            "Not just now",
	fault.Internal:        "Something broke",
}

// problemOf describes an error. What is internal stays internal: the log has
// it, the answer has a number to find it by.
func problemOf(err error, request string) Problem {
	kind, status, detail := classify(err)
	p := Problem{Type: "urn:basecourse:problem:" + string(kind), Title: problemTitles[kind], Status: status, Detail: detail}
	switch status {
	case http.StatusUnsupportedMediaType:
		p.Title = "This type of body is not taken"
	case http.StatusNotAcceptable:
		p.Title = "There is no answer of this type"
	case http.StatusTooManyRequests:
		p.Title = "Too many requests"
	}
	var refusal *fault.Error
	if errors.As(err, &refusal) {
		p.Problems = refusal.Problems
	}
	if kind == fault.Internal && request != "" {
		p.Instance = "urn:basecourse:request:" + request
	}
	return p
}

// malformed is a refusal of a request that could not be read at all: 400 where
// the same problem inside a readable record is 422.
type malformed struct{ error }

func (m malformed) Unwrap() error { return m.error }

// badRequest refuses a request whose address or body cannot be read.
func badRequest(problems ...fault.Problem) error {
	e := fault.At(problems...)
	e.Detail = problems[0].String()
	return malformed{e}
}

// classify maps an error to its kind, status and one sentence.
func classify(err error) (fault.Kind, int, string) {
	var refusal *fault.Error
	var http *echo.HTTPError
	var bad malformed
	switch {
	case errors.As(err, &bad) && errors.As(err, &refusal):
		return refusal.Kind, 400, sentence(refusal.Detail)
	case errors.As(err, &refusal):
		return refusal.Kind, refusal.Kind.Status(), sentence(refusal.Detail)
	case errors.As(err, &http):
		detail, _ := http.Message.(string)
		return kindOfStatus(http.Code), http.Code, sentence(detail)
	case errors.Is(err, syscall.ENOSPC):
		return fault.Busy, fault.Busy.Status(), wordsNoRoomHere
	case errors.Is(err, context.DeadlineExceeded), errors.Is(err, context.Canceled):
		return fault.Busy, fault.Busy.Status(), "This took too long. Try again in a moment."
	default:
		return fault.Internal, fault.Internal.Status(), "This went wrong inside the program. The log has the reason."
	}
}

func kindOfStatus(status int) fault.Kind {
	switch status {
	case http.StatusUnauthorized:
		return fault.Unauthenticated
	case http.StatusForbidden:
		return fault.Forbidden
	case http.StatusNotFound, http.StatusMethodNotAllowed:
		return fault.NotFound
	case http.StatusConflict:
		return fault.Conflict
	case http.StatusRequestEntityTooLarge:
		return fault.TooLarge
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		return fault.Busy
	case http.StatusInternalServerError:
		return fault.Internal
	default:
		return fault.Invalid
	}
}

// answerError is the one place where an error becomes an answer: a problem for
// the API, a page for people.
func (s *Server) answerError(err error, c echo.Context) {
	if c.Response().Committed {
		return
	}
	if n := new(http.MaxBytesError); errors.As(err, &n) {
		err = tooLarge(n.Limit)
	}
	p := problemOf(err, requestID(c))
	h := c.Response().Header()
	switch p.Status {
	case http.StatusServiceUnavailable:
		if why := s.why(err); why != "" {
			p.Detail = why
		}
		h.Set(echo.HeaderRetryAfter, retryAfter)
	case http.StatusUnauthorized:
		h.Set(echo.HeaderWWWAuthenticate, `Bearer realm="basecourse"`)
	}
	// A stale page must not be kept under a wrong type.
	h.Del(echo.HeaderContentLength)
	h.Del("ETag")
	var sent error
	if s.wantsProblem(c) {
		if n := new(echo.HTTPError); errors.As(err, &n) {
			switch n.Code {
			case http.StatusNotFound:
				p.Detail = "There is nothing at this address. /api/v1/openapi.json lists the addresses."
			case http.StatusMethodNotAllowed:
				p.Title, p.Detail = "This address takes another method", "It takes "+h.Get(echo.HeaderAllow)+"."
			}
		}
		sent = writeProblem(c, p)
	} else {
		sent = s.errorPage(c, p)
	}
	if sent != nil {
		s.log.Warn("answer not sent", "request", requestID(c), "error", sent.Error())
	}
}

// wantsProblem tells whether a machine asked.
func (s *Server) wantsProblem(c echo.Context) bool {
	p := c.Request().URL.Path
	return strings.HasPrefix(p, "/api/") || p == "/readyz" || p == "/healthz" || c.Request().Header.Get(echo.HeaderAuthorization) != ""
}

func writeProblem(c echo.Context, p Problem) error {
	body, err := json.Marshal(p)
	if err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentType, "application/problem+json")
	c.Response().WriteHeader(p.Status)
	if c.Request().Method == http.MethodHead {
		return nil
	}
	_, err = c.Response().Write(body)
	return err
}

// errorPage says what went wrong in the program's own voice. Somebody who is
// not signed in and opens a page is asked who they are.
func (s *Server) errorPage(c echo.Context, p Problem) error {
	req := c.Request()
	if p.Status == http.StatusUnauthorized && (req.Method == http.MethodGet || req.Method == http.MethodHead) {
		next := req.URL.Path
		if req.URL.RawQuery != "" {
			next += "?" + req.URL.RawQuery
		}
		door := "/sign-in?next="
		if identity(c).Tablet != 0 {
			door = "/who?next="
		}
		return c.Redirect(http.StatusSeeOther, s.url(door+url.QueryEscape(next)))
	}
	page := views.ProblemPage{Shell: s.shell(c, problemHeading(p.Status), ""), What: p.Detail, Link: s.url("/floor"), LinkWord: "Go to the Floor"}
	page.Shell.Trouble = "" // the page says it itself
	switch p.Status {
	case http.StatusNotFound, http.StatusMethodNotAllowed:
		page.Do = "Check the address, or look for the printer on the Floor."
		if !strings.Contains(p.Detail, " ") || strings.EqualFold(p.Detail, "Not found.") || strings.EqualFold(p.Detail, "Method not allowed.") {
			page.What = "There is no page at this address."
		}
	case http.StatusForbidden:
		page.Do = "Ask a manager or admin if you need it."
	case http.StatusUnauthorized:
		page.Do, page.Link, page.LinkWord = "Sign in and do it again.", s.url("/sign-in"), "Sign in"
		if identity(c).Tablet != 0 {
			page.Link, page.LinkWord = s.url("/who"), "Say who you are"
		}
	case http.StatusServiceUnavailable:
		page.Do, page.Link, page.LinkWord = "Nothing that was answered as saved is lost. Load the page again in a moment.", "", ""
	case http.StatusRequestEntityTooLarge:
		page.Do = "Nothing was stored. Send less at once; for more there is basecourse import on the server, which takes any size."
	case http.StatusTooManyRequests:
		page.Do, page.Link, page.LinkWord = "", "", ""
	case http.StatusInternalServerError:
		page.What = "The program could not answer. Nothing that was answered as saved is lost."
		page.Do, page.Ref = "Try again. If it stays, give the number below to whoever looks after the server.", requestID(c)
	}
	if who := identity(c); who.Role == roleAnyone && p.Status != http.StatusUnauthorized {
		page.Link, page.LinkWord = s.url("/"), "Go to the start"
		if p.Status == http.StatusServiceUnavailable {
			page.Link = ""
		}
	}
	var buf bytes.Buffer
	if err := views.Problem(page).Render(context.WithoutCancel(req.Context()), &buf); err != nil {
		return err
	}
	return writeHTML(c, p.Status, buf.Bytes())
}

func problemHeading(status int) string {
	switch status {
	case http.StatusNotFound:
		return "Nothing here"
	case http.StatusMethodNotAllowed:
		return "Nothing here"
	case http.StatusForbidden:
		return "Not open to you"
	case http.StatusUnauthorized:
		return "Sign in again"
	case http.StatusServiceUnavailable:
		return "Not just now"
	case http.StatusTooManyRequests:
		return "One moment"
	case http.StatusRequestEntityTooLarge:
		return "Too large"
	case http.StatusInternalServerError:
		return "Something broke here"
	default:
		return "This does not fit"
	}
}
