package intake

import (
	"fmt"
	"strings"
	"time"

	"basecourse/internal/fault"
)

// LoadZone gives a time zone by its IANA name. "Local" and "" are refused: they
// mean whatever the machine is set to.
func LoadZone(name string) (*time.Location, error) {
	if name == "" || name == "Local" {
		return nil, fault.At(fault.Problem{Column: "zone", Found: name, Expected: "a time zone such as Europe/Berlin"})
	}
	return time.LoadLocation(name)
}

// monthNames are the first letters by which English and German names of months
// are known; short and long forms begin alike.
var monthNames = map[string]int{"jan": 1, "jän": 1, "feb": 2, "mar": 3, "mär": 3, "mrz": 3, "apr": 4, "may": 5, "mai": 5, "jun": 6, "jul": 7,
	"aug": 8, "sep": 9, "oct": 10, "okt": 10, "nov": 11, "dec": 12, "dez": 12}

func monthOf(word string) int {
	word = strings.TrimSuffix(strings.ToLower(word), ".")
	if len([]rune(word)) < 3 {
		return 0
	}
	return monthNames[string([]rune(word)[:3])]
}

// logTime reads the times of a log.
type logTime struct {
	order   string
	zone    *time.Location // of times without an offset; nil refuses them
	twice   string
	century int
	at      string // time of day where a row has none
}

var dateWords = map[string]string{"ymd": "year, month, day", "dmy": "day, month, year", "mdy": "month, day, year"}

// read gives the instant a text means, or says what was expected instead.
func (l *logTime) read(s string) (time.Time, string) {
	if l.order == "unix" || l.order == "unix_ms" {
		return l.unix(s)
	}
	date, clock := splitDate(s)
	year, month, day, expected := l.date(date)
	if expected != "" {
		return time.Time{}, expected
	}
	if clock == "" {
		if clock = l.at; clock == "" {
			return time.Time{}, "a time of day behind the date; the mapping may say one for all rows that have none (at)"
		}
	}
	c, ok := readClock(clock)
	if !ok {
		return time.Time{}, "a time of day such as 20:42 or 20:42:59 behind the date"
	}
	wall := daysBefore(year, month, day)*86400 + int64(c.seconds)
	if c.offset != nil {
		return stamped(wall-int64(*c.offset), c.micros)
	}
	if l.zone == nil {
		return time.Time{}, "an offset such as +01:00 behind the time, or a zone in the mapping"
	}
	return l.local(wall, c.micros)
}

func stamped(unix int64, micros int) (time.Time, string) {
	t := time.Unix(unix, int64(micros)*1000).UTC()
	if y := t.Year(); y < 1970 || y > 9999 {
		return time.Time{}, "a year from 1970"
	}
	return t, ""
}

// local finds the instants at which clocks of the zone showed a time: one, none
// where they were set forward over it, two where they were set back over it.
func (l *logTime) local(wall int64, micros int) (time.Time, string) {
	var found []int64
	for _, hours := range []int64{-30, 30} {
		_, offset := time.Unix(wall+hours*3600, 0).In(l.zone).Zone()
		at := wall - int64(offset)
		if _, there := time.Unix(at, 0).In(l.zone).Zone(); there == offset && (len(found) == 0 || found[0] != at) {
			found = append(found, at)
		}
	}
	said := time.Unix(wall, 0).UTC().Format("15:04 on 2006-01-02")
	switch {
	case len(found) == 0:
		return time.Time{}, fmt.Sprintf("a time that was: in %s clocks were set forward over %s", l.zone, said)
	case len(found) == 2 && l.twice == "":
		return time.Time{}, fmt.Sprintf("an offset, or the mapping's word for it (twice: first or second): in %s clocks showed %s twice", l.zone, said)
	case len(found) == 2 && (found[0] < found[1]) == (l.twice == "second"):
		return stamped(found[1], micros)
	}
	return stamped(found[0], micros)
}

func (l *logTime) unix(s string) (time.Time, string) {
	const expected = "seconds since 1970 as a number"
	whole, part, fraction := strings.Cut(s, ".")
	if len(whole) == 0 || len(whole) > 15 || fraction && part == "" {
		return time.Time{}, expected
	}
	n, ok := digits(whole)
	m, ok2 := digits((part + "000000")[:6])
	if _, all := digits(part); !ok || !ok2 || !all {
		return time.Time{}, expected
	}
	if l.order == "unix_ms" {
		return stamped(int64(n/1000), n%1000*1000)
	}
	return stamped(int64(n), m)
}

// splitDate parts the date from the time of day.
func splitDate(s string) (date, clock string) {
	s = strings.TrimSpace(s)
	if len(s) > 10 && s[10]|0x20 == 't' && s[4] == '-' {
		return s[:10], strings.TrimSpace(s[11:])
	}
	colon := strings.IndexByte(s, ':')
	if colon < 0 {
		return s, ""
	}
	if first, rest, more := strings.Cut(s, " "); more && colon < len(first) && !strings.Contains(rest, ":") { // the time of day first
		if half, after, found := strings.Cut(rest, " "); found && len(half) <= 4 && strings.HasSuffix(strings.ToLower(strings.Trim(half, ".")), "m") {
			first, rest = first+" "+half, after
		}
		if strings.ContainsAny(rest, ".-/") {
			return rest, first
		}
	}
	at := strings.LastIndexByte(s[:colon], ' ')
	if at < 0 {
		return s, ""
	}
	return strings.TrimRight(strings.TrimSpace(s[:at]), ","), s[at+1:]
}

// dateParts are the groups of digits or letters of a date.
func dateParts(s string) []string {
	return strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune(".-/ ,", r) })
}

func (l *logTime) date(s string) (year, month, day int, expected string) {
	expected = "a date: " + dateWords[l.order] + ", as the mapping says"
	parts := dateParts(s)
	if len(parts) == 1 && len(s) == 8 && l.order == "ymd" {
		parts = []string{s[:4], s[4:6], s[6:]}
	}
	if len(parts) == 4 && monthOf(parts[0]) == 0 && notNumber(parts[0]) { // a weekday before it
		parts = parts[1:]
	}
	if len(parts) != 3 {
		return 0, 0, 0, expected
	}
	y, m, d := parts[0], parts[1], parts[2]
	switch l.order {
	case "dmy":
		y, m, d = parts[2], parts[1], parts[0]
	case "mdy":
		y, m, d = parts[2], parts[0], parts[1]
	}
	var okY, okM, okD bool
	year, okY = digits(y)
	if month, okM = digits(m); !okM || len(m) > 2 {
		month = monthOf(m)
		okM = month > 0
	}
	day, okD = digits(d)
	if !okY || !okM || !okD || len(d) > 2 || month < 1 || month > 12 || day < 1 {
		return 0, 0, 0, expected
	}
	switch {
	case len(y) == 2 && l.century == 0:
		return 0, 0, 0, "a year of four digits; the mapping may say the century (19 or 20)"
	case len(y) == 2:
		year += l.century * 100
	case len(y) != 4:
		return 0, 0, 0, expected
	}
	if year < 1970 || day > daysIn(year, month) {
		return 0, 0, 0, "a day that is in the calendar, from 1970 on; " + expected
	}
	return year, month, day, ""
}

func notNumber(s string) bool { _, ok := digits(s); return !ok }

// clockTime is a time of day.
type clockTime struct {
	seconds, micros int
	offset          *int // seconds east; nil none said
}

// readClock reads 20:42, 20:42:59.5, 8:42 pm, each with an offset or Z behind.
func readClock(s string) (c clockTime, ok bool) {
	s = strings.TrimSpace(s)
	lower := strings.ToLower(s)
	half := ""
	for _, x := range []string{"am", "pm", "a.m.", "p.m."} {
		if rest, found := strings.CutSuffix(lower, x); found {
			half, lower = x[:1], strings.TrimSpace(rest)
		}
	}
	lower = strings.TrimSpace(strings.TrimSuffix(lower, "uhr"))
	body, offset, ok := cutOffset(lower)
	if !ok {
		return c, false
	}
	c.offset = offset
	parts := strings.Split(body, ":")
	if len(parts) < 2 || len(parts) > 3 {
		return c, false
	}
	hour, ok1 := digits(parts[0])
	minute, ok2 := digits(parts[1])
	if !ok1 || !ok2 || len(parts[0]) == 0 || len(parts[0]) > 2 || len(parts[1]) != 2 || hour > 23 || minute > 59 {
		return c, false
	}
	second := 0
	if len(parts) == 3 {
		whole, part, _ := strings.Cut(strings.Replace(parts[2], ",", ".", 1), ".")
		var ok3, ok4 bool
		second, ok3 = digits(whole)
		_, ok4 = digits(part)
		if !ok3 || !ok4 || len(whole) != 2 || len(part) > 30 || second > 59 {
			return c, false
		}
		c.micros, _ = digits((part + "000000")[:6])
	}
	if half != "" {
		if hour < 1 || hour > 12 {
			return c, false
		}
		hour %= 12
		if half == "p" {
			hour += 12
		}
	}
	c.seconds = hour*3600 + minute*60 + second
	return c, true
}

// cutOffset takes an offset (Z, +01:00, +0100, +01) off a time of day.
func cutOffset(s string) (body string, offset *int, ok bool) {
	if rest, z := strings.CutSuffix(s, "z"); z {
		zero := 0
		return strings.TrimSpace(rest), &zero, true
	}
	at := strings.LastIndexAny(s, "+-")
	if at < 0 {
		return s, nil, true
	}
	text := strings.Replace(s[at+1:], ":", "", 1)
	if len(text) == 2 {
		text += "00"
	}
	n, isNumber := digits(text)
	if !isNumber || len(text) != 4 || n/100 > 23 || n%100 > 59 {
		return s, nil, false
	}
	seconds := n/100*3600 + n%100*60
	if s[at] == '-' {
		seconds = -seconds
	}
	return strings.TrimSpace(s[:at]), &seconds, true
}

// clockOf reads HH:MM.
func clockOf(s string) (hour, minute int, ok bool) {
	c, ok := readClock(s)
	if !ok || c.offset != nil {
		return 0, 0, false
	}
	return c.seconds / 3600, c.seconds / 60 % 60, true
}
