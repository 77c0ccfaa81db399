package store_test

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// Export → import into an empty farm → export gives the same bytes.
func TestExportsComeBackToTheByte(t *testing.T) {
	ctx := context.Background()
	for _, name := range []string{"bundles/everything", "sample-farm"} {
		t.Run(filepath.Base(name), func(t *testing.T) {
			first, second := t.TempDir(), t.TempDir()
			a, b := open(t), open(t)
			report, err := a.Import(ctx, byImport, folder(t, "../../testdata/"+name), store.ImportOptions{})
			if err != nil || !report.Stored {
				t.Fatalf("%v\n%s", err, report.Text())
			}
			if _, err := a.Export(ctx, first); err != nil {
				t.Fatal(err)
			}
			report, err = b.Import(ctx, byImport, folder(t, first), store.ImportOptions{})
			if err != nil || !report.Stored {
				t.Fatalf("%v\n%s", err, report.Text())
			}
			if len(report.Created) > 0 {
				t.Errorf("an export names everything it needs, yet %v was created", report.Created)
			}
			if _, err := b.Export(ctx, second); err != nil {
				t.Fatal(err)
			}
			for _, table := range intake.Tables {
				one, err := os.ReadFile(filepath.Join(first, table.File))
				if err != nil {
					t.Fatal(err)
				}
				two, err := os.ReadFile(filepath.Join(second, table.File))
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(one, two) {
					t.Errorf("%s differs\nfirst\n%.2000s\nsecond\n%.2000s", table.File, one, two)
				}
				if name == "bundles/everything" {
					if bytes.Count(one, []byte("\r\n")) < 2 {
						t.Errorf("%s: the bundle that uses everything left it empty", table.File)
					}
					golden(t, filepath.Join("../../testdata/bundles/everything.export", table.File), one)
				}
			}
			// The farm's own export goes in again as nothing new.
			again, err := a.Import(ctx, byImport, folder(t, first), store.ImportOptions{})
			if err != nil || !again.Stored {
				t.Fatalf("%v\n%s", err, again.Text())
			}
			for _, f := range again.Files {
				if f.AlreadyRecorded != f.Rows {
					t.Errorf("%s: got %+v, want all already recorded", f.File, f)
				}
			}
		})
	}
}

func golden(t *testing.T, path string, got []byte) {
	t.Helper()
	if *update {
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s: got\n%s\nwant\n%s", filepath.Base(path), got, want)
	}
}
