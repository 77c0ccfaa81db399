package views

import "strings"

// join lists words by commas.
func join(words []string) string { return strings.Join(words, ", ") }

// either gives the first text that says something.
func either(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
