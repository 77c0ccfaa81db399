package farm_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
)

func laid(t *testing.T, marks, covered string, turned bool) farm.Laid {
	t.Helper()
	m, bad, _ := farm.ParseMarks(marks)
	if bad != "" {
		t.Fatal(bad)
	}
	l := farm.Laid{Marks: m, Turned: turned}
	for _, s := range strings.Fields(covered) {
		z, ok := farm.ParseZone(s)
		if !ok {
			t.Fatal(s)
		}
		l.Covered = append(l.Covered, z)
	}
	return l
}

func zoneText(z farm.ZoneCount) string { return fmt.Sprint(z.Printed, z.Marked, z.By) }

// A dent at the plate's front left shows at the bed's back right while the plate
// lies turned: in the plate's frame it is one zone, in the printer's two.
func TestMarksAreSummedInBothFrames(t *testing.T) {
	layers := []farm.Laid{
		laid(t, "A1:plate_mark:2", "", false), laid(t, "C3:plate_mark:1 C3:blobs:1", "", true), laid(t, "", "B2 C3", true), laid(t, "B1:blobs:3", "A1", false),
	}
	bed, plate := farm.SumMarks(layers, 3, 3, false), farm.SumMarks(layers, 3, 3, true)
	for _, c := range []struct{ what, got, want string }{
		{"bed A1", zoneText(bed[0][0]), "3 1 map[plate_mark:1]"}, {"bed C3", zoneText(bed[2][2]), "3 1 map[blobs:1 plate_mark:1]"},
		{"bed B1, marked where nothing was printed", zoneText(bed[0][1]), "2 0 map[]"}, {"bed B2", zoneText(bed[1][1]), "3 0 map[]"},
		{"plate A1", zoneText(plate[0][0]), "4 2 map[blobs:1 plate_mark:2]"}, {"plate C3", zoneText(plate[2][2]), "2 0 map[]"}, {"plate B2", zoneText(plate[1][1]), "3 0 map[]"},
	} {
		if c.got != c.want {
			t.Errorf("%s: got %s, want %s", c.what, c.got, c.want)
		}
	}
	// Grids that are not square, and marks outside them.
	odd := farm.SumMarks([]farm.Laid{laid(t, "A1:blobs:1 E5:blobs:1", "", true)}, 2, 4, true)
	if zoneText(odd[3][1]) != "1 1 map[blobs:1]" || zoneText(odd[0][0]) != "1 0 map[]" {
		t.Errorf("2 × 4: got %v", odd)
	}
}

func TestSightingsMakeStays(t *testing.T) {
	at := func(h int) time.Time { return time.Date(2026, 3, 1, h, 0, 0, 0, time.UTC) }
	var got []string
	for _, s := range farm.Stays([]farm.Sighting{
		{Where: "P-1", At: at(1)}, {Where: "P-1", At: at(2), Side: "a"}, {Where: "P-1", At: at(3), Side: "b"},
		{Where: "P-2", At: at(4), Fitting: true, Removed: at(7)}, {Where: "P-2", At: at(5), Turned: "yes"}, {Where: "P-2", At: at(6)},
		{Where: "P-2", At: at(9)}, {Where: "P-1", At: at(10)},
	}) {
		until := "-"
		if !s.Until.IsZero() {
			until = fmt.Sprint(s.Until.Hour())
		}
		got = append(got, fmt.Sprintf("%s %d-%s last %d: %d%s%s%t", s.Where, s.From.Hour(), until, s.Last.Hour(), s.Starts, s.Side, s.Turned, s.Fitted))
	}
	want := "P-1 10-- last 10: 1false; P-2 9-10 last 9: 1false; P-2 4-7 last 6: 2yestrue; P-1 3-4 last 3: 1bfalse; P-1 1-3 last 2: 2afalse"
	if strings.Join(got, "; ") != want {
		t.Errorf("got  %s\nwant %s", strings.Join(got, "; "), want)
	}
	if farm.Stays(nil) != nil {
		t.Error("stays without sightings")
	}
}
