// Package fault holds the few kinds of refusal the program knows and the
// located problems that explain them.
//
// A kind exists because a caller acts on it: it is mapped once to an HTTP
// status (Status), to an exit code (ExitCode) and to a form or API answer.
// Anything that is not an *Error is internal: logged whole, shown as one calm
// sentence.
package fault

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Kind is the reason for a refusal. The words are those of the API's problem
// types, urn:basecourse:problem:KIND.
type Kind string

// The kinds of refusal.
const (
	Invalid         Kind = "invalid"         // the input is wrong; Problems say where
	Conflict        Kind = "conflict"        // other content stands under a known id
	NotFound        Kind = "not_found"       // no such thing
	Forbidden       Kind = "forbidden"       // this sender may not do this
	Unauthenticated Kind = "unauthenticated" // nobody is signed in
	TooLarge        Kind = "too_large"       // beyond a stated limit
	Busy            Kind = "busy"            // try again shortly
	Internal        Kind = "internal"        // a defect or a broken machine
)

// Problem says where something is wrong, what was found there and what was
// expected. The same list serves the import report, forms and the API.
type Problem struct {
	File     string `json:"file,omitempty"`    // file of a bundle
	Line     int    `json:"line,omitempty"`    // physical line on which the record starts; the header is 1
	Column   string `json:"column,omitempty"`  // column name (CSV) or place in the line (mesh text)
	Pointer  string `json:"pointer,omitempty"` // RFC 6901 pointer into a JSON body
	Found    string `json:"found"`
	Expected string `json:"expected"`
}

// String reads as one line: where, what was found, what was expected.
func (p Problem) String() string {
	var where []string
	if p.File != "" {
		where = append(where, p.File)
	}
	if p.Line > 0 {
		where = append(where, "line "+strconv.Itoa(p.Line))
	}
	if p.Column != "" {
		where = append(where, "column "+p.Column)
	}
	if p.Pointer != "" {
		where = append(where, p.Pointer)
	}
	s := strings.Join(where, ", ")
	if s != "" {
		s += ": "
	}
	return fmt.Sprintf("%sfound %s, expected %s", s, Quote(p.Found), p.Expected)
}

// Quote shows a found value in a message: shortened to 80 runes, in quotes,
// and "nothing" when empty.
func Quote(s string) string {
	if s == "" {
		return "nothing"
	}
	return strconv.Quote(Shorten(s))
}

// Shorten cuts a found value to 80 runes.
func Shorten(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:79]) + "…"
	}
	return s
}

// Error is a refusal.
type Error struct {
	Kind     Kind
	Detail   string // one sentence for a person
	Problems []Problem
	Err      error // what lies beneath, for the log; may be nil
}

// Error gives the detail and the first problems.
func (e *Error) Error() string {
	s := e.Detail
	if s == "" {
		s = string(e.Kind)
	}
	for i, p := range e.Problems {
		if i == 3 {
			s += fmt.Sprintf("; and %d more", len(e.Problems)-i)
			break
		}
		s += "; " + p.String()
	}
	if e.Err != nil {
		s += ": " + e.Err.Error()
	}
	return s
}

// Unwrap gives what lies beneath.
func (e *Error) Unwrap() error { return e.Err }

// New makes a refusal of kind k with one formatted sentence.
func New(k Kind, format string, args ...any) *Error {
	return &Error{Kind: k, Detail: fmt.Sprintf(format, args...)}
}

// At makes an Invalid refusal from located problems.
func At(problems ...Problem) *Error {
	return &Error{Kind: Invalid, Problems: problems}
}

// Wrap keeps err beneath a refusal of kind k.
func Wrap(k Kind, err error, format string, args ...any) *Error {
	return &Error{Kind: k, Detail: fmt.Sprintf(format, args...), Err: err}
}

// KindOf tells the kind of err; anything unknown is Internal, nil is "".
func KindOf(err error) Kind {
	if err == nil {
		return ""
	}
	var e *Error
	if errors.As(err, &e) {
		return e.Kind
	}
	return Internal
}

// Is tells whether err is a refusal of kind k.
func Is(err error, k Kind) bool { return KindOf(err) == k }

// Status maps a kind to the HTTP status of a whole-body answer.
func (k Kind) Status() int {
	switch k {
	case Invalid:
		return 422
	case Conflict:
		return 409
	case NotFound:
		return 404
	case Forbidden:
		return 403
	case Unauthenticated:
		return 401
	case TooLarge:
		return 413
	case Busy:
		return 503
	default:
		return 500
	}
}

// ExitCode maps an error to the process's exit code: 0 done, 1 refused or
// found wrong, 2 used wrongly (a *Usage error).
func ExitCode(err error) int {
	var u *Usage
	switch {
	case err == nil:
		return 0
	case errors.As(err, &u):
		return 2
	default:
		return 1
	}
}

// Usage is a command called with words that make no sense together.
type Usage struct{ Detail string }

// Error gives the sentence.
func (u *Usage) Error() string { return u.Detail }

// Misused makes a Usage error.
func Misused(format string, args ...any) *Usage {
	return &Usage{Detail: fmt.Sprintf(format, args...)}
}
