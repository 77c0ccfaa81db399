// Package printable makes what goes on paper or plate: test prints to measure a
// first layer with. Everything is computed from plain values; the same input
// gives the same bytes.
package printable
