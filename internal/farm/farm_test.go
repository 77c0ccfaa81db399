package farm

import (
	"math"
	"strconv"
	"testing"

	"github.com/gofrs/uuid/v5"
)

// The expected UUID is the worked example that fixes the namespace, and the
// general function of the uuid library (RFC 9562 section 5.5) for the others.
func TestTextIdsMapToNamedUUIDs(t *testing.T) {
	id, err := NewID(KindFirstLayer, "F-002933")
	if err != nil || id.UUID.String() != "e1faec1e-ce01-51a1-831e-dbabd9e8bcdb" || id.Text() != "F-002933" {
		t.Errorf("got %v %v, want e1faec1e-ce01-51a1-831e-dbabd9e8bcdb", id, err)
	}
	for _, text := range []string{"x", "Ünï", "a b", "0"} {
		got, _ := NewID(KindHold, text)
		if want := uuid.NewV5(Namespace, "hold/"+text); got.UUID != want {
			t.Errorf("%q: got %v, want %v", text, got.UUID, want)
		}
	}
	kept, _ := NewID(KindProbe, "018F3C1E-7B2A-7000-8000-0123456789AB")
	if kept.Text() != "018f3c1e-7b2a-7000-8000-0123456789ab" || kept.Ref != "" {
		t.Errorf("a UUID is kept in lower case, got %v", kept)
	}
	for _, bad := range []string{" x", "x ", "a\tb", "\x00", string([]byte{0xff}), string(make([]byte, 65))} {
		if _, err := NewID(KindProbe, bad); err == nil {
			t.Errorf("%q should be no id", bad)
		}
	}
}

func TestNumbersReadAsTheStandardLibraryReadsThem(t *testing.T) {
	for _, s := range []string{"0", "-0", "0.20", "-0.1096", "123456789012345", "1234567890123456", "0.000001", "1e-7", "2.5E3", "+4", "5.", ".5", "999999999999999.9"} {
		got, ok := ParseNumber(s)
		want, err := strconv.ParseFloat(s, 64)
		if !ok || err != nil || got != want || math.Signbit(got) && got == 0 {
			t.Errorf("%q: got %v %v, want %v", s, got, ok, want)
		}
		back, ok := ParseNumber(string(AppendNumber(nil, got)))
		if !ok || back != got {
			t.Errorf("%q: written as %s it reads back as %v", s, AppendNumber(nil, got), back)
		}
	}
	for _, s := range []string{"", "-", ".", "inf", "nan", "0x1p3", "1_000", "1,5", " 1", "1 ", "1e999", "--1", "1.2.3", "e5"} {
		if x, ok := ParseNumber(s); ok {
			t.Errorf("%q should be no number, got %v", s, x)
		}
	}
}

func TestZonesMarksAndReadingsComeBackInOrder(t *testing.T) {
	m, bad, _ := ParseMarks("C3:blobs:1  A1:nozzle_low:2 A1:lifting:3")
	if got := string(AppendMarks(nil, m)); bad != "" || got != "A1:lifting:3 A1:nozzle_low:2 C3:blobs:1" {
		t.Errorf("got %q, bad %q", got, bad)
	}
	r, bad, _ := ParseReadings("B2=0.20 A1=0.21p A1=0.18")
	if got := string(AppendReadings(nil, r)); bad != "" || got != "A1=0.18 A1=0.21p B2=0.2" {
		t.Errorf("got %q, bad %q", got, bad)
	}
	z, bad, _ := ParseZones("I9 A1 B2 A1")
	if got := string(AppendZones(nil, z)); bad != "" || got != "A1 B2 I9" {
		t.Errorf("got %q, bad %q", got, bad)
	}
	for _, s := range []string{"A1:blobs:4", "J1:blobs:1", "A0:blobs:1", "A1:blob:1", "A1:blobs", "A1:blobs:1 A1:blobs:2"} {
		if _, bad, expected := ParseMarks(s); bad == "" || expected == "" {
			t.Errorf("marks %q should be refused", s)
		}
	}
	for _, s := range []string{"A1=0.04", "A1=1.01", "A1=", "A1=nan", "A10=0.2", "A1 0.2", "A1=0.2q"} {
		if _, bad, _ := ParseReadings(s); bad == "" {
			t.Errorf("readings %q should be refused", s)
		}
	}
}

func TestEverySettingsDefaultIsValid(t *testing.T) {
	for _, r := range SettingRules {
		if !r.Valid(r.Default) {
			t.Errorf("%s: default %q is not %s", r.Key, r.Default, r.Expected)
		}
		if r.Valid("nonsense!") {
			t.Errorf("%s takes nonsense", r.Key)
		}
	}
	if got := (SettingValues{"least_avoidable": "2"}).Number("least_avoidable"); got != 2 {
		t.Errorf("least_avoidable: got %v, want 2", got)
	}
}

func FuzzMarks(f *testing.F) {
	f.Add("A1:nozzle_low:2 C3:nozzle_high:1")
	f.Fuzz(func(t *testing.T, s string) {
		m, bad, _ := ParseMarks(s)
		if bad != "" {
			return
		}
		text := string(AppendMarks(nil, m))
		again, bad, _ := ParseMarks(text)
		if bad != "" || string(AppendMarks(nil, again)) != text {
			t.Errorf("%q came back as %q", s, text)
		}
	})
}

func FuzzReadings(f *testing.F) {
	f.Add("A1=0.18 B2=0.20p")
	f.Fuzz(func(t *testing.T, s string) {
		r, bad, _ := ParseReadings(s)
		if bad != "" {
			return
		}
		text := string(AppendReadings(nil, r))
		again, bad, _ := ParseReadings(text)
		if bad != "" || string(AppendReadings(nil, again)) != text {
			t.Errorf("%q came back as %q", s, text)
		}
	})
}
