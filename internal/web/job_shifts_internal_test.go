package web

import (
	"slices"
	"testing"
	"time"

	"basecourse/internal/store"
)

func instantOf(t *testing.T, text string) time.Time {
	t.Helper()
	x, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// Shifts are the recorded ones: breaks within, each once, over midnight and over a
// change of clocks.
func TestShiftsAreTheRecordedOnes(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	turn := func(person int32, from, to string) store.Turn {
		return store.Turn{Person: person, Starts: instantOf(t, from), Ends: instantOf(t, to)}
	}
	shifts := shiftsOf([]store.Turn{
		turn(1, "2026-10-24T06:00:00+02:00", "2026-10-24T10:00:00+02:00"), turn(1, "2026-10-24T10:30:00+02:00", "2026-10-24T14:00:00+02:00"), // a break
		turn(1, "2026-10-25T06:30:00+01:00", "2026-10-25T14:30:00+01:00"),
		turn(2, "2026-10-24T06:00:00+02:00", "2026-10-24T14:00:00+02:00"),
		turn(3, "2026-10-24T22:00:00+02:00", "2026-10-25T06:00:00+01:00"), // the night of 25 hours a day
	})
	var words []string
	for _, x := range shifts {
		words = append(words, x.words(berlin))
	}
	want := []string{"Sat 24 Oct 06:00 to 14:00", "Sat 24 Oct 22:00 to 06:00", "Sun 25 Oct 06:30 to 14:30"}
	if !slices.Equal(words, want) {
		t.Fatalf("%q, want %q", words, want)
	}
	if night := shifts[1]; night.to.Sub(night.from) != 9*time.Hour {
		t.Errorf("the night lasts %v, want 9 hours", night.to.Sub(night.from))
	}
	for text, n := range map[string]int{
		"2026-10-24T05:00:00+02:00": 0, "2026-10-24T13:59:00+02:00": 0, "2026-10-24T14:00:00+02:00": 1, "2026-10-25T02:30:00+02:00": 1, "2026-10-25T02:30:00+01:00": 1,
		"2026-10-25T06:15:00+01:00": 2, "2026-10-27T06:00:00+01:00": 2,
	} {
		if got := shiftAt(shifts, instantOf(t, text)); got != n {
			t.Errorf("at %s shift %d, want %d", text, got, n)
		}
	}
	if shiftAt(nil, shifts[0].from) != -1 {
		t.Error("a shift where none is recorded")
	}
	hours := func(x stretch, every int) (list []string) {
		for _, h := range hourTicks(x, every, berlin) {
			list = append(list, h.In(berlin).Format("15:04"))
		}
		return list
	}
	if got := hours(shifts[1], 1); !slices.Equal(got, []string{"22:00", "23:00", "00:00", "01:00", "02:00", "02:00", "03:00", "04:00", "05:00", "06:00"}) {
		t.Errorf("the night's hours are %v", got)
	}
	if got := hours(shifts[2], 2); !slices.Equal(got, []string{"08:00", "10:00", "12:00", "14:00"}) {
		t.Errorf("from half past six on %v", got)
	}
	day := stretch{time.Date(2026, 3, 29, 0, 0, 0, 0, berlin), time.Date(2026, 3, 30, 0, 0, 0, 0, berlin)}
	if got := hours(day, 3); !slices.Equal(got, []string{"00:00", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00", "21:00", "00:00"}) {
		t.Errorf("a day of 23 hours has %v", got)
	}
}
