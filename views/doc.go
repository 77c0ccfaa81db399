// Package views holds the pages as templ components and, beside each, its view
// model.
//
// A view model has the shape of its page: rows in the order they are shown, and
// every number already a word ("7 of 62 (11 %, likely 6 to 22 %)"), every
// address complete with the base path. A template asks and computes nothing.
// The package imports nothing of internal.
//
// A state is carried three ways: a sign (a shape drawn with 2 px strokes), a
// word, and last a colour. Normal things have no sign and no colour.
package views
