package web

import (
	"strings"
	"time"
)

// localForms are the ways a time of day is typed, by pickers and by hand.
var localForms = []string{"2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02T15:04:05.999999", "2006-01-02"}

// localTime reads a time as people in the farm's zone type it. ok is false for
// what is no time, and for one the clock change left out.
func localTime(typed string, zone *time.Location) (t time.Time, ok bool) {
	typed = strings.TrimSpace(typed)
	for _, form := range localForms {
		at, err := time.ParseInLocation(form, typed, zone)
		if err != nil {
			continue
		}
		// A time that was left out comes back as another one.
		return at, at.Format(form) == typed || form == "2006-01-02T15:04:05.999999"
	}
	if at, err := time.Parse(time.RFC3339Nano, typed); err == nil {
		return at, true
	}
	return time.Time{}, false
}

// localText writes a time for a picker.
func localText(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("2006-01-02T15:04")
}
