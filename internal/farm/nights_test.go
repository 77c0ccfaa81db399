package farm

import (
	"testing"
	"time"
	_ "time/tzdata"
)

// Lengths of nights at the changes of clocks in Europe follow from the calendar:
// 2026-03-29 at 01:00 UTC an hour forward, 2026-10-25 at 01:00 UTC an hour back.
func TestNights(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	local := func(text string) time.Time {
		x, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	shift := func(from, to string) Span { return Span{local(from), local(to)} }
	for name, x := range map[string]struct {
		shifts  []Span
		shifted bool
		before  string
		want    []string // day, from, to, hours, empty
	}{
		"no shifts recorded": {before: "2026-03-10 09:00", want: []string{"2026-03-09 22:00 06:00 8h0m0s false", "2026-03-08 22:00 06:00 8h0m0s false"}},
		"two shifts a day": {shifted: true, before: "2026-03-10 09:00", shifts: []Span{shift("2026-03-10 06:00", "2026-03-10 14:00"),
			shift("2026-03-09 06:00", "2026-03-09 14:00"), shift("2026-03-09 14:00", "2026-03-09 20:00"), shift("2026-03-09 13:00", "2026-03-09 20:30")},
			want: []string{"2026-03-09 20:30 06:00 9h30m0s true", "2026-03-08 12:00 06:00 18h0m0s true"}},
		"a night shift leaves no gap": {shifted: true, before: "2026-03-10 09:00", shifts: []Span{shift("2026-03-08 00:00", "2026-03-09 22:00"), shift("2026-03-09 22:00", "2026-03-10 06:00"), shift("2026-03-10 07:00", "2026-03-10 14:00")},
			want: []string{"2026-03-09 22:00 06:00 8h0m0s false", "2026-03-08 22:00 06:00 8h0m0s false"}},
		"clocks go forward": {before: "2026-03-29 12:30", want: []string{"2026-03-28 22:00 06:00 7h0m0s false"}},
		"clocks go back":    {before: "2026-10-25 08:00", want: []string{"2026-10-24 22:00 06:00 9h0m0s false"}},
		"clocks go back, between shifts": {shifted: true, before: "2026-10-25 08:00", shifts: []Span{shift("2026-10-24 06:00", "2026-10-24 22:00"), shift("2026-10-25 06:00", "2026-10-25 14:00")},
			want: []string{"2026-10-24 22:00 06:00 9h0m0s true"}},
		"this evening's has not begun": {before: "2026-03-10 21:59", want: []string{"2026-03-09 22:00 06:00 8h0m0s false"}},
		"this evening's has begun":     {before: "2026-03-10 22:01", want: []string{"2026-03-10 22:00 06:00 8h0m0s false"}},
	} {
		got := Nights(x.shifts, x.shifted, berlin, local(x.before), len(x.want))
		if len(got) != len(x.want) {
			t.Errorf("%s: %d nights, want %d", name, len(got), len(x.want))
			continue
		}
		for i, n := range got {
			empty := " false"
			if n.Empty {
				empty = " true"
			}
			if s := n.Day + n.From.In(berlin).Format(" 15:04") + n.To.In(berlin).Format(" 15:04 ") + n.To.Sub(n.From).String() + empty; s != x.want[i] {
				t.Errorf("%s: night %d is %s, want %s", name, i, s, x.want[i])
			}
		}
	}
}
