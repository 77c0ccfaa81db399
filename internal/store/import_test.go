package store_test

import (
	"context"
	"testing"
	"time"

	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/internal/testdb"
)

func open(t *testing.T) *store.Store {
	t.Helper()
	s, err := store.Open(context.Background(), testdb.New(t))
	if err != nil {
		t.Fatal(err)
	}
	s.SetClock(func() time.Time { return clock })
	t.Cleanup(s.Close)
	return s
}

func folder(t *testing.T, path string) intake.Source {
	t.Helper()
	src, err := intake.Folder(path)
	if err != nil {
		t.Fatal(err)
	}
	return src
}

var byImport = store.Act{Via: "import", Why: "test"}

func TestTheSampleFarmGoesInAndGoesInAgain(t *testing.T) {
	s := open(t)
	first, err := s.Import(context.Background(), byImport, folder(t, "../../testdata/sample-farm"), store.ImportOptions{})
	if err != nil || !first.Stored {
		t.Fatalf("%v\n%s", err, first.Text())
	}
	t.Log(first.Text())
	again, err := s.Import(context.Background(), byImport, folder(t, "../../testdata/sample-farm"), store.ImportOptions{})
	if err != nil || !again.Stored {
		t.Fatalf("%v\n%s", err, again.Text())
	}
	t.Log(again.Text())
	for i, f := range again.Files {
		if f.AlreadyRecorded != f.Rows || f.Rows != first.Files[i].Rows {
			t.Errorf("%s: got %+v the second time, want all %d rows already recorded", f.File, f, f.Rows)
		}
	}
}
