package store_test

import (
	"context"
	"testing"

	"basecourse/internal/farm"
	"basecourse/internal/store"
)

func TestTheLatestProfileIsThatOfTheLatestStart(t *testing.T) {
	s := open(t)
	ctx := context.Background()
	if r, err := s.Import(ctx, byImport, folder(t, "../../testdata/sample-farm"), store.ImportOptions{}); err != nil || !r.Stored {
		t.Fatalf("%v\n%s", err, r.Text())
	}
	h, w, pitch, err := s.LatestProfile(ctx, "P-001")
	if err != nil || h != 0.2 || w != 0.42 || farm.Known(pitch) {
		t.Errorf("P-001: got %g × %g, pitch %g, %v", h, w, pitch, err)
	}
	h, w, pitch, err = s.LatestProfile(ctx, "NONE")
	if err != nil || farm.Known(h) || farm.Known(w) || farm.Known(pitch) {
		t.Errorf("nobody's printer: got %g × %g, pitch %g, %v", h, w, pitch, err)
	}
}
