package store_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
)

func problemField(err error) string {
	var e *fault.Error
	if errors.As(err, &e) && len(e.Problems) > 0 {
		return e.Problems[0].Column
	}
	return ""
}

// A plate without a tag gets the next provisional one with its fitting; joined with its
// own tag, what was recorded of it stands under that; undone, it is as before.
func TestAPlateWithoutATagIsJoinedWithItsOwn(t *testing.T) {
	s, _ := farmWithThings(t)
	ctx := context.Background()
	fit := func(id string) (string, int64) {
		t.Helper()
		b, tag, err := s.RecordUntagged(ctx, byHand, farm.Plate{Surface: "pei_smooth", SizeXMM: farm.Unknown(), SizeYMM: farm.Unknown()},
			parsed(t, `{"kind":"fitting","id":"`+id+`","plate":"x","printer":"R-1","fitted_at":"2026-03-01T06:00:00Z","noted_by":"ines"}`))
		if err != nil {
			t.Fatal(err)
		}
		return tag, b.Act
	}
	tag, _ := fit("U-1")
	if again, _ := fit("U-1"); tag != "NOTAG-1" || again != tag {
		t.Fatalf("got %s, sent again %s, want NOTAG-1 twice", tag, again)
	}
	other, made := fit("U-2")
	if other != "NOTAG-2" {
		t.Errorf("the second is %s", other)
	}
	if n, err := s.Undo(ctx, byHand, made, "slip"); err != nil || n != 1 {
		t.Fatalf("undo: %d, %v", n, err)
	}
	retired := func(tag string) bool {
		t.Helper()
		rec, err := s.Thing(ctx, farm.KindPlate, tag)
		if err != nil {
			t.Fatal(err)
		}
		return !rec.(*farm.Plate).RetiredAt.IsZero()
	}
	if !retired("NOTAG-2") || retired("NOTAG-1") {
		t.Error("only the plate whose tag was taken back is out of service")
	}

	for _, body := range []string{
		`{"kind":"first_layer","id":"F-8","printer":"R-1","plate":"NOTAG-1","started_at":"2026-03-01T07:00:00Z","grade":"clean"}`,
		`{"kind":"cleaning","id":"C-8","plate":"NOTAG-1","cleaned_at":"2026-03-01T07:30:00Z","method":"wipe"}`,
		`{"kind":"hold","id":"H-8","subject_kind":"plate","subject":"NOTAG-1","placed_at":"2026-03-01T07:40:00Z","reason":"dent"}`,
		`{"kind":"cleaning","id":"C-9","plate":"T-1","cleaned_at":"2026-03-01T07:30:00Z","method":"wash"}`,
	} {
		if _, err := send(t, s, body); err != nil {
			t.Fatal(err)
		}
	}
	count := func(tag, want string) {
		t.Helper()
		got, err := s.NamedBy(ctx, tag)
		if err != nil {
			t.Fatal(err)
		}
		var words []string
		for _, k := range []farm.Kind{farm.KindFirstLayer, farm.KindCleaning, farm.KindFitting, farm.KindHold, farm.KindPlateState} {
			if got[k] > 0 {
				words = append(words, string(k))
			}
		}
		if strings.Join(words, " ") != want {
			t.Errorf("%s is named by %v, want %s", tag, got, want)
		}
	}
	count("NOTAG-1", "first_layer cleaning fitting hold")
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for _, c := range []struct{ from, into, field string }{{"T-1", "T-2", "plate"}, {"NOTAG-1", "NOTAG-2", "into"}, {"NOTAG-9", "T-1", "plate"}, {"NOTAG-2", "T-1", "plate"}} {
		if _, err := s.JoinPlates(ctx, byHand, uuid.Must(uuid.NewV7()), c.from, c.into, at); problemField(err) != c.field {
			t.Errorf("%s with %s: got %v, want a problem at %s", c.from, c.into, err, c.field)
		}
	}
	id := uuid.Must(uuid.NewV7())
	b, err := s.JoinPlates(ctx, byHand, id, "NOTAG-1", "T-1", at)
	if err != nil {
		t.Fatal(err)
	}
	count("NOTAG-1", "plate_state")
	count("T-1", "first_layer cleaning fitting hold")
	if again, err := s.JoinPlates(ctx, byHand, id, "NOTAG-1", "T-1", at); err != nil || again.Act != b.Act {
		t.Errorf("sent again: %v, %v, want the act of before", again.Act, err)
	}
	if !retired("NOTAG-1") {
		t.Error("the provisional plate is still in service")
	}
	if n, err := s.Undo(ctx, byHand, b.Act, "another plate"); err != nil || n != 5 {
		t.Fatalf("undo: %d, %v, want 5 records", n, err)
	}
	count("NOTAG-1", "first_layer cleaning fitting hold")
	count("T-1", "cleaning")
	if retired("NOTAG-1") {
		t.Error("undone, the provisional plate is not in service")
	}
	// With a tag that is new to the farm; a second time after an undo.
	if _, err := s.JoinPlates(ctx, byHand, uuid.Must(uuid.NewV7()), "NOTAG-1", "T-77", at); err != nil {
		t.Fatal(err)
	}
	count("T-77", "first_layer cleaning fitting hold")
	if v, err := s.Verify(ctx, ""); err != nil || v.Broken > 0 {
		t.Errorf("the trail: %+v, %v", v, err)
	}
}
