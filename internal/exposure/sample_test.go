package exposure

import (
	"crypto/sha1"
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"
)

// readCSV gives the rows of a file as maps from column to cell.
func readCSV(t testing.TB, path string) []map[string]string {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	var out []map[string]string
	for _, row := range rows[1:] {
		m := make(map[string]string, len(row))
		for i, cell := range row {
			m[rows[0][i]] = cell
		}
		out = append(out, m)
	}
	return out
}

// sampleFarm reads the sample farm's bundle. It understands what stands in
// that one only; names gives the ids of h.Starts.
func sampleFarm(t testing.TB) (h *History, names []string) {
	t.Helper()
	dir := filepath.Join("..", "..", "testdata", "sample-farm")
	micros := func(s string) int64 {
		if s == "" {
			return 0
		}
		at, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return at.UnixMicro()
	}
	id := func(kind, text string) (u [16]byte) {
		sum := sha1.Sum([]byte(kind + "/" + text)) // any fixed order does: no two starts share an instant and a printer
		copy(u[:], sum[:])
		return u
	}
	index := func(m map[string]int32, tag string) int32 {
		if tag == "" {
			return None
		}
		i, ok := m[tag]
		if !ok {
			t.Fatalf("unknown tag %q", tag)
		}
		return i
	}
	h = &History{Farm: Farm{StartWindow: 45 * 60e6}}
	printers, plates := map[string]int32{}, map[string]int32{}
	for _, r := range readCSV(t, filepath.Join(dir, "printers.csv")) {
		printers[r["printer"]] = int32(len(printers))
		h.RecordsAll = append(h.RecordsAll, true)
	}
	for _, r := range readCSV(t, filepath.Join(dir, "plates.csv")) {
		plates[r["plate"]] = int32(len(plates))
	}
	h.Plates = len(plates)
	seen := map[string]bool{}
	twice := func(name string) bool {
		was := seen[name]
		seen[name] = true
		return was
	}
	for _, r := range readCSV(t, filepath.Join(dir, "first_layers.csv")) {
		if twice(r["first_layer"]) {
			continue
		}
		names = append(names, r["first_layer"])
		h.Starts = append(h.Starts, Start{
			ID: id("first_layer", r["first_layer"]), At: micros(r["started_at"]), GradedAt: micros(r["graded_at"]),
			Printer: index(printers, r["printer"]), Plate: index(plates, r["plate"]), Failed: r["grade"] == "failed",
		})
	}
	for _, r := range readCSV(t, filepath.Join(dir, "probes.csv")) {
		if twice(r["probe"]) {
			continue
		}
		h.Probes = append(h.Probes, Probe{
			ID: id("probe", r["probe"]), At: micros(r["probed_at"]),
			Printer: index(printers, r["printer"]), Plate: index(plates, r["plate"]), Ends: true,
		})
	}
	for _, r := range readCSV(t, filepath.Join(dir, "cleanings.csv")) {
		if twice(r["cleaning"]) {
			continue
		}
		h.Cleanings = append(h.Cleanings, Cleaning{
			At: micros(r["cleaned_at"]), Plate: index(plates, r["plate"]),
			Clears: r["method"] != "coat", Washes: r["method"] == "wash" || r["method"] == "deep",
		})
	}
	return h, names
}

// The reference was computed by another program from the same definitions
// (testdata/reference/README.md). Hours and days are rounded there to 6 digits.
func TestSampleFarmEqualsReference(t *testing.T) {
	h, names := sampleFarm(t)
	xs := Of(h)
	want := map[string]map[string]string{}
	for _, r := range readCSV(t, filepath.Join("..", "..", "testdata", "reference", "exposures.csv")) {
		want[r["first_layer"]] = r
	}
	if len(want) != len(names) {
		t.Fatalf("got %d first layers, want %d", len(names), len(want))
	}
	count := func(n int32) string {
		if n == None {
			return ""
		}
		return strconv.Itoa(int(n))
	}
	elapsed := func(micros int64, unit float64) string {
		if micros == None {
			return ""
		}
		return fmt.Sprintf("%.6f", float64(micros)/unit)
	}
	bad := 0
	for i, x := range xs {
		w := want[names[i]]
		got := map[string]string{
			"first_layer": names[i], "skipped_probing": x.Skipped.String(), "plate_swapped": x.PlateSwapped.String(),
			"probe_state": x.State.String(), "prints_since_probe": count(x.PrintsSinceProbe),
			"prints_since_clean": count(x.PrintsSinceClean),
			"hours_since_probe":  elapsed(x.SinceProbe, 3600e6), "days_since_clean": elapsed(x.SinceClean, 86400e6),
		}
		for column, wanted := range w {
			if got[column] != wanted {
				if bad++; bad < 10 {
					t.Errorf("%s %s: got %q, want %q", names[i], column, got[column], wanted)
				}
			}
		}
	}
	if bad > 0 {
		t.Errorf("%d differences in all", bad)
	}
}
