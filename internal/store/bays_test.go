package store_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// A plate lies in the bay of the printer it was seen on last, until it is taken
// off.
func TestPlatesLieInTheBayTheyWereSeenLast(t *testing.T) {
	ctx, s := context.Background(), open(t)
	dir := t.TempDir()
	for name, text := range map[string]string{
		"printers.csv":     "printer,bay,bed_x_mm,bed_y_mm\nP-1,Loft,220,220\nP-2,Cellar,220,220\nP-3,,220,220\n",
		"plates.csv":       "plate,surface\nL-1,glass\nL-2,glass\nL-3,glass\nL-4,glass\n",
		"fittings.csv":     "fitting,plate,printer,fitted_at,removed_at\nX-1,L-1,P-1,2026-03-01T08:00:00Z,\nX-2,L-2,P-1,2026-03-01T08:00:00Z,2026-03-02T08:00:00Z\nX-3,L-3,P-3,2026-03-01T08:00:00Z,\n",
		"first_layers.csv": "first_layer,printer,plate,started_at\nF-1,P-2,L-1,2026-03-03T08:00:00Z\n",
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	source, err := intake.Folder(dir)
	if err != nil {
		t.Fatal(err)
	}
	if r, err := s.Import(ctx, byImport, source, store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	for _, c := range []struct {
		day    int
		l1, l2 string
	}{{1, "Loft", "Loft"}, {2, "Loft", ""}, {3, "Cellar", ""}} {
		b, err := s.Bays(ctx, time.Date(2026, 3, c.day, 12, 0, 0, 0, time.UTC), true)
		if err != nil {
			t.Fatal(err)
		}
		if b.Plates["L-1"] != c.l1 || b.Plates["L-2"] != c.l2 || b.Plates["L-3"] != "" || b.Plates["L-4"] != "" || b.Printers["P-2"] != "Cellar" || len(b.Printers) != 2 {
			t.Errorf("on day %d: got %v", c.day, b)
		}
	}
}
