package farm

import (
	"crypto/sha1"
	"strings"
	"unicode"
	"unicode/utf8"

	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
)

// Namespace is the UUIDv5 namespace under which ids that are no UUIDs are
// mapped.
var Namespace = uuid.Must(uuid.FromString("91431aed-203e-5973-8ef7-d1194ba1b3c8"))

// ID is what a record is known by: a UUID, and the text its recorder used when
// that was not a UUID (empty otherwise). The zero ID is unknown.
type ID struct {
	UUID uuid.UUID
	Ref  string
}

// NewID reads an id as it was sent: a UUID of any version is kept, lower-cased;
// any other text of 1 to 64 characters without control characters and without
// blanks at the ends maps to UUIDv5 of "KIND/ID". The error's Problem has Found
// and Expected set and no place; an empty text is the zero ID.
func NewID(kind Kind, text string) (ID, error) {
	if text == "" {
		return ID{}, nil
	}
	if len(text) == 36 {
		if u, err := uuid.FromString(text); err == nil {
			return ID{UUID: u}, nil
		}
	}
	if !ValidKey(text, 64) {
		return ID{}, fault.At(fault.Problem{Found: text, Expected: "an id of 1 to 64 characters without control characters and without blanks at its ends"})
	}
	return ID{UUID: named(kind, text), Ref: text}, nil
}

// named is UUIDv5 (RFC 9562 section 5.5) of "KIND/TEXT", without the
// allocations of the general function: an import makes millions.
func named(kind Kind, text string) uuid.UUID {
	var buf [256 + 96]byte
	b := append(buf[:0], Namespace[:]...)
	b = append(b, kind...)
	b = append(b, '/')
	b = append(b, text...)
	sum := sha1.Sum(b)
	u := uuid.UUID(sum[:16])
	u.SetVersion(uuid.V5)
	u.SetVariant(uuid.VariantRFC9562)
	return u
}

// IsZero tells whether the id is unknown.
func (id ID) IsZero() bool { return id.UUID == uuid.Nil && id.Ref == "" }

// Text is the id as its recorder wrote it.
func (id ID) Text() string {
	if id.Ref != "" {
		return id.Ref
	}
	if id.UUID == uuid.Nil {
		return ""
	}
	return id.UUID.String()
}

// ValidKey tells whether a text may be an id, a tag or a name that is its own
// key: 1 to longest characters, valid UTF-8, no control characters, no blanks
// at the ends.
func ValidKey(s string, longest int) bool {
	if plain(s) {
		return len(s) <= longest && s[0] != ' ' && s[len(s)-1] != ' '
	}
	if s == "" || !utf8.ValidString(s) || utf8.RuneCountInString(s) > longest || strings.TrimSpace(s) != s {
		return false
	}
	for _, r := range s {
		if unicode.IsControl(r) {
			return false
		}
	}
	return true
}

// plain tells whether a text is not empty and printable ASCII throughout.
func plain(s string) bool {
	for i := range len(s) {
		if s[i] < 0x20 || s[i] > 0x7e {
			return false
		}
	}
	return s != ""
}
