package farm

import (
	"fmt"
	"regexp"
)

// UntaggedPrefix begins the provisional tag of a plate whose own is missing or can't
// be read; the plate is joined with its tag later.
const UntaggedPrefix = "NOTAG-"

var untagged = regexp.MustCompile(`^` + UntaggedPrefix + `[1-9][0-9]{0,6}$`)

// Untagged is the nth provisional tag.
func Untagged(n int) string { return fmt.Sprintf("%s%d", UntaggedPrefix, n) }

// IsUntagged tells whether a plate's tag is provisional.
func IsUntagged(tag string) bool { return untagged.MatchString(tag) }
