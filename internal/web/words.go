package web

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// thin goes before units and per cent signs; it does not break.
const thin = "\u202f"

// minus is the true minus sign.
const minus = "\u2212"

// count writes a whole number with thin spaces between thousands.
func count(n int) string {
	s := strconv.Itoa(n)
	if n < 0 {
		return minus + count(-n)
	}
	if len(s) <= 4 {
		return s
	}
	var b strings.Builder
	for i, r := range s {
		if i > 0 && (len(s)-i)%3 == 0 {
			b.WriteString(thin)
		}
		b.WriteRune(r)
	}
	return b.String()
}

// counted writes "1 plate", "2 plates", "no plates".
func counted(n int, one, many string) string {
	switch n {
	case 0:
		return "no " + many
	case 1:
		return "1 " + one
	default:
		return count(n) + " " + many
	}
}

// percent writes a share as a whole per cent; below 1 % but not 0 it says so.
func percent(share float64) string {
	p := share * 100
	switch {
	case math.IsNaN(p):
		return "no record"
	case p > 0 && p < 0.5:
		return "under 1" + thin + "%"
	case p < 100 && p > 99.5:
		return "over 99" + thin + "%"
	default:
		return strconv.Itoa(int(math.Round(p))) + thin + "%"
	}
}

// bare is percent without its sign, for the lower end of a range.
func bare(share float64) string {
	return strings.TrimSuffix(percent(share), thin+"%")
}

// fewest is the number of cases from which a rate stands beside its counts.
const fewest = 10

// rateWords says counts before the rate: "7 of 62" and "(11 %, likely 6 to
// 22 %)". low and high are the ends of the 95 % interval as shares; under ten
// cases only the counts are said.
func rateWords(k, n int, low, high float64) (of, how string) {
	if n == 0 {
		return "no record", ""
	}
	of = count(k) + " of " + count(n)
	if n < fewest {
		return of, ""
	}
	return of, fmt.Sprintf("(%s, likely %s to %s)", percent(float64(k)/float64(n)), bare(low), percent(high))
}

// coverage says how many of the started first layers were graded.
func coverage(graded, started int) string {
	if started == 0 {
		return "no layers started"
	}
	return count(graded) + " of " + count(started) + " layers graded"
}

// figure writes a number with as many decimals as a reader needs: two digits
// that count, never an exponent.
func figure(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "no record"
	}
	s := ""
	switch a := math.Abs(x); {
	case a == 0:
		return "0"
	case a < 0.05:
		return "about 0"
	case a < 10:
		s = strconv.FormatFloat(a, 'f', 1, 64)
	default:
		s = strconv.FormatFloat(a, 'f', 0, 64)
	}
	s = strings.TrimSuffix(s, ".0")
	if x < 0 {
		return minus + s
	}
	return s
}

// rangeWords writes "3.2 (1.1 to 5.4)"; missing ends leave the middle alone.
func rangeWords(x, low, high float64) string {
	if math.IsNaN(x) {
		return "–"
	}
	if math.IsNaN(low) || math.IsNaN(high) {
		return figure(x)
	}
	return fmt.Sprintf("%s (%s to %s)", figure(x), figure(low), figure(high))
}

// perHundred writes failures per 100 layers with one decimal, as the sentences
// of findings do, so that a figure reads the same wherever it stands.
func perHundred(x float64) string {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return "no record"
	}
	s := strconv.FormatFloat(math.Abs(x), 'f', 1, 64)
	if x < 0 && s != "0.0" {
		return minus + s
	}
	return s
}

// perHundredRange writes "12.6 (9.4 to 16.1)"; missing ends leave the middle
// alone.
func perHundredRange(x, low, high float64) string {
	switch {
	case math.IsNaN(x):
		return "–"
	case math.IsNaN(low) || math.IsNaN(high):
		return perHundred(x)
	}
	return fmt.Sprintf("%s (%s to %s)", perHundred(x), perHundred(low), perHundred(high))
}

// mm writes a length in mm with two decimals.
func mm(x float64) string {
	if math.IsNaN(x) {
		return "no record"
	}
	s := strconv.FormatFloat(math.Abs(x), 'f', 2, 64) + thin + "mm"
	if x < 0 && !strings.HasPrefix(s, "0.00") {
		return minus + s
	}
	return s
}

// wholeMM writes a bed size without decimals.
func wholeMM(x float64) string {
	if math.IsNaN(x) {
		return "no record"
	}
	return strconv.FormatFloat(x, 'f', -1, 64)
}

// duration writes "3 h 20 min", "45 min", "6 d", in words short enough for a row.
func duration(d time.Duration) string {
	if d < 0 {
		d = 0
	}
	switch m := int(d / time.Minute); {
	case m < 1:
		return "under 1" + thin + "min"
	case m < 60:
		return fmt.Sprintf("%d%smin", m, thin)
	case m < 48*60:
		if m%60 == 0 {
			return fmt.Sprintf("%d%sh", m/60, thin)
		}
		return fmt.Sprintf("%d%sh %d%smin", m/60, thin, m%60, thin)
	default:
		return fmt.Sprintf("%d days", m/(24*60))
	}
}

// clock writes an instant as people in the farm's zone read it.
func clock(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return "no record"
	}
	return t.In(zone).Format("2006-01-02 15:04")
}

// iso writes an instant for machines.
func iso(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format("2006-01-02T15:04:05Z")
}

// ago writes "40 min ago".
func ago(t, now time.Time) string {
	if t.IsZero() {
		return "no record"
	}
	return duration(now.Sub(t)) + " ago"
}

// sentence makes the first letter upper case and ends with a full stop.
func sentence(s string) string {
	s = strings.TrimSpace(s)
	if s == "" {
		return ""
	}
	r := []rune(s)
	if 'a' <= r[0] && r[0] <= 'z' {
		r[0] += 'A' - 'a'
	}
	s = string(r)
	if !strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "?") {
		s += "."
	}
	return s
}

// naturalLess orders tags and bays as people count: "Bay 2" before "Bay 10".
func naturalLess(a, b string) bool {
	for a != "" && b != "" {
		da, db := leadingDigits(a), leadingDigits(b)
		if da > 0 && db > 0 {
			na, nb := strings.TrimLeft(a[:da], "0"), strings.TrimLeft(b[:db], "0")
			if len(na) != len(nb) {
				return len(na) < len(nb)
			}
			if na != nb {
				return na < nb
			}
			a, b = a[da:], b[db:]
			continue
		}
		if a[0] != b[0] {
			return a[0] < b[0]
		}
		a, b = a[1:], b[1:]
	}
	return len(a) < len(b)
}

func leadingDigits(s string) int {
	n := 0
	for n < len(s) && '0' <= s[n] && s[n] <= '9' {
		n++
	}
	return n
}
