// Package arrows keeps the house's direction: arrows point from doors to pure
// rooms, never back. It holds a test only, over what `go list` says.
package arrows
