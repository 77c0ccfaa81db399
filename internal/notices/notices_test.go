package notices

import (
	"encoding/hex"
	"math"
	"os/exec"
	"strings"
	"testing"
	"time"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// TestWindows holds windows against the calendar: across midnight, and in both
// nights in which clocks change.
func TestWindows(t *testing.T) {
	berlin, york := zone(t, "Europe/Berlin"), zone(t, "America/New_York")
	local := func(z *time.Location, text string) time.Time {
		at, err := time.ParseInLocation("2006-01-02 15:04", text, z)
		if err != nil {
			t.Fatal(err)
		}
		return at
	}
	night := []Shift{{local(berlin, "2026-03-08 22:00"), local(berlin, "2026-03-09 06:00")}, {local(berlin, "2026-03-09 22:00"), local(berlin, "2026-03-10 06:00")}}
	spring := []Shift{{local(berlin, "2026-03-28 22:00"), local(berlin, "2026-03-29 06:00")}}
	for name, c := range map[string]struct {
		at, start, wait string
		z               *time.Location
		shifts          []Shift
		inShifts        bool
	}{
		"in a shift before midnight":      {"2026-03-08 23:59", "2026-03-08 22:00", "", berlin, night, false},
		"the same shift after midnight":   {"2026-03-09 00:01", "2026-03-08 22:00", "", berlin, night, false},
		"its last minute":                 {"2026-03-09 05:59", "2026-03-08 22:00", "", berlin, night, false},
		"its end is out of it":            {"2026-03-09 06:00", "2026-03-09 06:00", "", berlin, night, false},
		"off shift, mail at any time":     {"2026-03-09 15:00", "2026-03-09 14:00", "", berlin, night, false},
		"off shift, mail in shifts":       {"2026-03-09 15:00", "2026-03-09 22:00", "2026-03-09 22:00", berlin, night, true},
		"no next shift: nothing waits":    {"2026-03-10 07:00", "2026-03-10 06:00", "", berlin, night, true},
		"no shifts, before midnight":      {"2026-03-09 23:00", "2026-03-09 22:00", "", berlin, nil, false},
		"no shifts, after midnight":       {"2026-03-10 03:00", "2026-03-09 22:00", "", berlin, nil, false},
		"a shift through the lost hour":   {"2026-03-29 05:30", "2026-03-28 22:00", "", berlin, spring, false},
		"the lost hour: one window, 7 h":  {"2026-03-29 05:59", "2026-03-28 22:00", "", berlin, nil, false},
		"after it":                        {"2026-03-29 06:00", "2026-03-29 06:00", "", berlin, nil, false},
		"the hour twice: one window, 9 h": {"2026-10-25 05:59", "2026-10-24 22:00", "", berlin, nil, false},
		"the other side of the ocean":     {"2026-11-01 01:30", "2026-10-31 22:00", "", york, nil, false},
		"the shift begun last":            {"2026-03-09 00:30", "2026-03-09 00:00", "", berlin, append([]Shift{{local(berlin, "2026-03-09 00:00"), local(berlin, "2026-03-09 04:00")}}, night...), false},
	} {
		start, wait := Window(local(c.z, c.at), c.shifts, c.z, c.inShifts)
		if !start.Equal(local(c.z, c.start)) {
			t.Errorf("%s: the window begins %s, want %s", name, start.In(c.z), c.start)
		}
		if wait.IsZero() != (c.wait == "") || c.wait != "" && !wait.Equal(local(c.z, c.wait)) {
			t.Errorf("%s: mail waits until %s, want %q", name, wait.In(c.z), c.wait)
		}
	}
	// Both readings of the hour that comes twice lie in one window.
	first := time.Date(2026, 10, 25, 0, 30, 0, 0, time.UTC)
	a, _ := Window(first, nil, berlin, false)
	b, _ := Window(first.Add(time.Hour), nil, berlin, false)
	if !a.Equal(b) {
		t.Errorf("02:30 and 02:30 an hour later: windows %s and %s, want one", a, b)
	}
}

func TestWatchesDoNotFlap(t *testing.T) {
	at := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	var w Watch
	news := 0
	look := func(is, clear bool, after time.Duration) {
		t.Helper()
		at = at.Add(after)
		var n bool
		if w, n = w.Next(is, clear, at, time.Hour); n {
			news++
		}
	}
	look(true, false, 0)
	for range 10 { // at the edge, to and fro
		look(false, false, time.Minute)
		look(true, false, time.Minute)
		look(false, true, time.Minute)
		look(true, false, time.Minute)
	}
	if news != 1 {
		t.Errorf("ten swings are %d pieces of news, want 1", news)
	}
	look(false, true, time.Minute)
	look(false, true, time.Hour)
	look(true, false, time.Minute)
	if news != 2 {
		t.Errorf("after an hour of calm: %d pieces of news, want 2", news)
	}
}

func TestJobsAtRisk(t *testing.T) {
	at := time.Date(2026, 3, 9, 6, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		j         JobState
		is, clear bool
		words     string
	}{
		"sure":            {JobState{Job: "J-1", Enough: 0.97}, false, true, ""},
		"a hair above":    {JobState{Job: "J-1", Enough: 0.955}, false, false, ""},
		"less than asked": {JobState{Job: "J-1", Enough: 0.949}, true, false, "Job J-1 is at risk: enough good ones are less sure than asked (0.94 of 0.95)."},
		"late":            {JobState{Job: "J-1", Enough: 0.99, Late: 200}, true, false, "Job J-1 is at risk: the plan has it 3 h 20 min late."},
		"no room":         {JobState{Job: "J-1", Enough: 0.99, Cannot: true}, true, false, "Job J-1 is at risk: not all of its starts fit before it is due."},
		"not known":       {JobState{Job: "J-1", Enough: math.NaN()}, false, true, ""},
	} {
		is, clear := c.j.Risk(0.95)
		if is != c.is || clear != c.clear {
			t.Errorf("%s: at risk %v, clear %v, want %v, %v", name, is, clear, c.is, c.clear)
		}
		if n := Job(c.j, 0.95, at); is && n.Words != c.words {
			t.Errorf("%s: says %q, want %q", name, n.Words, c.words)
		}
	}
}

func TestWordsNameNobody(t *testing.T) {
	at := time.Date(2026, 3, 9, 13, 5, 0, 0, time.UTC)
	for want, n := range map[string]Notice{
		"P-014 is on hold since 2026-03-09 14:05: start no jobs on it.":                       Hold("printer", "P-014", at, zone(t, "Europe/Berlin")),
		"Plate L-203 is on hold since 2026-03-09 13:05: print nothing on it.":                 Hold("plate", "L-203", at, time.UTC),
		"Failed first layers on P-014 go with skipped probing: look at the finding.":          Finding("printer", "P-014", "skipped_probing", at),
		"Failed first layers on plate L-203 go with long cleaning gaps: look at the finding.": Finding("plate", "L-203", "cleaning_gap", at),
	} {
		if n.Words != want {
			t.Errorf("says %q, want %q", n.Words, want)
		}
	}
}

func TestWaitsGrowAndEnd(t *testing.T) {
	var all, last time.Duration
	for tries := 1; ; tries++ {
		w, again := Wait(tries)
		if !again {
			if tries != MostTries {
				t.Errorf("given up after %d tries, want %d", tries, MostTries)
			}
			break
		}
		if w < last || w > longestWait {
			t.Errorf("after %d tries: a wait of %s behind one of %s", tries, w, last)
		}
		last, all = w, all+w
	}
	if all < 18*time.Hour || all > 36*time.Hour {
		t.Errorf("tried for %s in all, want about a day", all)
	}
}

// TestMAC holds the digest against the vectors of RFC 4231 (4.2 to 4.8, without
// the truncated one).
func TestMAC(t *testing.T) {
	raw := func(s string) []byte {
		b, err := hex.DecodeString(s)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	long := raw(strings.Repeat("aa", 131))
	for name, c := range map[string]struct {
		key, data []byte
		want      string
	}{
		"4.2": {raw(strings.Repeat("0b", 20)), []byte("Hi There"), "b0344c61d8db38535ca8afceaf0bf12b881dc200c9833da726e9376c2e32cff7"},
		"4.3": {[]byte("Jefe"), []byte("what do ya want for nothing?"), "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"},
		"4.4": {raw(strings.Repeat("aa", 20)), raw(strings.Repeat("dd", 50)), "773ea91e36800e46854db8ebd09181a72959098b3ef8c122d9635514ced565fe"},
		"4.5": {raw("0102030405060708090a0b0c0d0e0f10111213141516171819"), raw(strings.Repeat("cd", 50)), "82558a389a443c0ea4cc819899f2083a85f0faa3e578f8077a2e3ff46729665b"},
		"4.7": {long, []byte("Test Using Larger Than Block-Size Key - Hash Key First"), "60e431591ee0b67f0d8a26aacbf5b77f8e0bc6213728c5140546040f0ee37f54"},
		"4.8": {long, []byte("This is a test using a larger than block-size key and a larger than block-size data. The key needs to be hashed before being used by the HMAC algorithm."), "9b09ffa71b942fcb27635fbcd5b0e944bfdc63644f0713938a7f51535c3a35e2"},
	} {
		if got := mac(c.key, c.data); got != c.want {
			t.Errorf("RFC 4231 %s: got %s, want %s", name, got, c.want)
		}
	}
}

// TestASignatureByOpenSSL signs the same by another program, as the help says to.
func TestASignatureByOpenSSL(t *testing.T) {
	if _, err := exec.LookPath("openssl"); err != nil {
		t.Skip("no openssl on this machine")
	}
	at, secret, body := time.Unix(1773064800, 0), "0f3c", `{"words":"P-014 is on hold"}`
	cmd := exec.Command("openssl", "dgst", "-sha256", "-hmac", secret, "-r")
	cmd.Stdin = strings.NewReader("1773064800." + body)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	want, _, _ := strings.Cut(string(out), " ")
	if got := Sign([]byte(secret), at, []byte(body)); got != want {
		t.Errorf("signature %s, openssl says %s", got, want)
	}
}

func TestAddresses(t *testing.T) {
	for text, good := range map[string]bool{
		"mara@farm.example": true, "m.a+notices@farm.example": true, "mara": false, "": false, "mara@farm.example\r\nBcc: x@y.example": false, "mara@farm.example, x@y.example": false,
		"Mara <mara@farm.example>": false, "<mara@farm.example>": false, "mara @farm.example": false, "\"a b\"@farm.example": false, "mára@farm.example": false, "a@b@c.example": false, strings.Repeat("a", 250) + "@b.cd": false,
		"mara@[127.0.0.1]": false, "mara@farm.example\x00": false,
	} {
		if err := CheckAddress(text); (err == nil) != good {
			t.Errorf("%q: %v, want good %v", text, err, good)
		}
	}
}
