// Package webtest is for tests of pages and the API: a whole server over a real
// database and the real routes, clients that are signed in or hold a token, and
// HTML found by selector.
package webtest
