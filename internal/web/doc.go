// Package web is the farm's door for browsers and scripts: pages, the HTTP API,
// sign-in, and the guards round them.
//
// The model. One table (routes.go) names every address, the least role that may
// enter, how large a body may be and how long an answer may take; nothing is
// served that the table does not name. A request passes the guards in one order
// (server.go): security headers, log, recovery, load limit, origin, who is it,
// may they, body limit, deadline. A handler then binds, loads, shapes the
// view model and renders; it returns an error for everything else, and one
// place (errors.go) makes a page or an RFC 9457 problem of it.
//
// The builders of view models (floor.go, findings.go, thing.go, ...) are pure:
// values in, words out. words.go holds the words.
package web
