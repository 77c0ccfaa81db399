package web

import (
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"

	"github.com/gofrs/uuid/v5"
)

func TestTagsAreFoundTheWayTheyAreTyped(t *testing.T) {
	book := newTagBook([]string{"P-001", "P-010", "P-1B", "Rack 7", "X-1", "x1", "L-203"})
	for typed, want := range map[string]string{
		"P-001": "P-001", "p1": "P-001", "P001": "P-001", "p-10": "P-010", "P-100": "", "p1b": "P-1B", "rack 7": "Rack 7", "rack-07": "Rack 7",
		"L-203.K": "L-203", "l203.k": "L-203", "x1": "x1", "X-1": "X-1", "X1": "x1", "": "", "0": "", "L-203.": "L-203", "L-203.KK": "",
		"L203K": "L-203", "l-203k": "L-203", "203": "L-203", "http://192.168.1.20:8080/bc/s/L-203": "L-203", "https://farm.example/s/Rack%207": "Rack 7", "203k": "L-203", "L-203.M": "", "203m": "", "1": "",
	} {
		if got, _ := book.find(typed); got != want {
			t.Errorf("%q: got %q, want %q", typed, got, want)
		}
	}
	if _, several := book.find("X-01"); len(several) != 2 {
		t.Errorf("X-01 may be two: got %v", several)
	}
	if got := book.split("P-001, p10;Rack 7\nL-203 p1b\n\n"); !slices.Equal(got, []string{"P-001", "p10", "Rack 7", "L-203", "p1b"}) {
		t.Errorf("a pasted list: got %q", got)
	}
}

// A wrong check letter is refused with a question: for the tag it stands behind,
// and for those one slip away to which the letter belongs.
func TestAWrongCheckLetterAsks(t *testing.T) {
	book := newTagBook([]string{"L-203", "L-230", "L-208", "P-014"})
	for typed, want := range map[string]string{
		"L-203.M": "The check letter of “L-203.M” does not fit. Did you mean L-203 or L-230?",
		"l302k":   "There is no plate “l302k”. Check the tag on its label.",
		"L213K":   "The check letter of “L213K” does not fit. Did you mean L-203?",
		"L023K":   "There is no plate “L023K”. Check the tag on its label.",
		"L230K":   "The check letter of “L230K” does not fit. Did you mean L-230 or L-203?",
		"L-999":   "There is no plate “L-999”. Check the tag on its label.",
		"nothing": "There is no plate “nothing”. Check the tag on its label.",
	} {
		if tag, several := book.find(typed); tag != "" {
			t.Errorf("%q: found %q", typed, tag)
		} else if got := book.refuses(typed, "plate", several); got != want {
			t.Errorf("%q: got %q, want %q", typed, got, want)
		}
	}
}

func TestNumbersAreReadTheWayTheyAreTyped(t *testing.T) {
	for typed, want := range map[string]float64{"0.21": 0.21, "0,21": 0.21, " 0.21 mm": 0.21, ".5": 0.5, "-.5": -0.5, "\u22120.04": -0.04, "+0.1mm": 0.1, "0\u202f mm": 0, "12": 12} {
		if got, ok := typedNumber(typed, "mm"); !ok || got != want {
			t.Errorf("%q: got %v, %v, want %v", typed, got, ok, want)
		}
	}
	for _, typed := range []string{"", "mm", "1.2.3", "1,2,3", "0x10", "inf", "NaN", "1e999", "--1", "one"} {
		if got, ok := typedNumber(typed, "mm"); ok {
			t.Errorf("%q: got %v, want it refused", typed, got)
		}
	}
}

func TestTheMinuteOfOpeningIsTheInstantOfOpening(t *testing.T) {
	now := time.Date(2026, 10, 25, 1, 30, 42, 0, time.UTC)
	id, err := uuid.NewV7AtTime(now.Add(-12 * time.Second))
	if err != nil {
		t.Fatal(err)
	}
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for typed, want := range map[string]time.Time{
		"":                 now.Add(-12 * time.Second),
		"2026-10-25T02:30": now.Add(-12 * time.Second),
		"2026-10-25T01:15": time.Date(2026, 10, 24, 23, 15, 0, 0, time.UTC),
		"2026-10-24 09:00": time.Date(2026, 10, 24, 7, 0, 0, 0, time.UTC),
	} {
		h := &hand{values: url.Values{"when": {typed}}, zone: zone, now: now, id: id}
		h.readWhen()
		if !h.when.Equal(want) || len(h.page.Problems) != 0 {
			t.Errorf("%q: got %v %v, want %v", typed, h.when, h.page.Problems, want)
		}
	}
}

// FuzzTyped: whatever is typed or pasted, nothing breaks, a mesh that was read
// is whole, and every tag found is one of the farm's.
func FuzzTyped(f *testing.F) {
	f.Add("0.1 0.2\n0.3 nan", "front", "P-001, p2", "2026-03-09T14:00")
	f.Add("[0.01, -0.02]\n[1,2]", "back", "L-203.K\n\nl 7", "yesterday")
	f.Add("\u22120.5;\t5.1", "", "....", "0000-00-00T00:00")
	f.Fuzz(func(t *testing.T, mesh, first, tags, when string) {
		now := time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC)
		h := &hand{values: url.Values{"mesh": {mesh}, "mesh_first": {first}, "when": {when}}, zone: time.UTC, now: now}
		if m := h.readMesh(); m != nil {
			if len(m.HeightsMM) != m.Columns*m.Rows || m.Columns < 2 || m.Columns > 200 || m.Rows < 2 || m.Rows > 200 {
				t.Errorf("a mesh of %d × %d has %d heights", m.Columns, m.Rows, len(m.HeightsMM))
			}
			if len(strings.Fields(meshNumbers(m))) != len(m.HeightsMM) || len(meshPreview(m).Rows) != m.Rows {
				t.Error("the mesh is not told whole")
			}
			for _, x := range m.HeightsMM {
				if farm.Known(x) && (x < -5 || x > 5) {
					t.Errorf("a height of %v mm", x)
				}
			}
		} else if strings.TrimSpace(mesh) != "" && len(h.page.Problems) == 0 {
			t.Error("a mesh is lost without a word")
		}
		h.readWhen()
		if len(h.page.Problems) == 0 && h.when.After(now.Add(time.Minute)) {
			t.Errorf("read a time to come: %v", h.when)
		}
		known := []string{"P-001", "P-002", "L-203", "Rack 7"}
		book := newTagBook(known)
		for _, piece := range book.split(tags) {
			if tag, _ := book.find(piece); tag != "" && !slices.Contains(known, tag) {
				t.Errorf("%q means %q, which is no tag", piece, tag)
			}
		}
	})
}
