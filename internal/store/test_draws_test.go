package store_test

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/trial"
)

func testOf(t *testing.T, id, kind, subject, task string, share float64) *farm.PlannedTest {
	t.Helper()
	x, err := farm.NewID(farm.KindPlannedTest, id)
	if err != nil {
		t.Fatal(err)
	}
	return &farm.PlannedTest{ID: x, SubjectKind: kind, Subject: subject, Task: task, Share: share}
}

// What a planned test draws for a start, beside what was drawn for it before.
func TestWhatAPlannedTestDraws(t *testing.T) {
	at := time.Date(2026, 3, 9, 12, 0, 0, 0, time.UTC)
	last := at.Add(-2 * time.Hour)
	probe, wipe, later := testOf(t, "T-1", "printer", "P-1", "probe", 0.5), testOf(t, "T-2", "plate", "L-1", "wipe", 0.5), testOf(t, "T-3", "printer", "P-1", "wipe", 0.5)
	tests := []*farm.PlannedTest{probe, wipe, later}
	held := func(task, why string, before time.Duration) store.Drawn {
		return store.Drawn{Task: task, Why: why, Arm: "do", At: at.Add(-before), Chance: 0.5}
	}
	for _, c := range []struct {
		name   string
		place  store.TestPlace
		held   []store.Drawn
		secret []byte
		want   string // tests in order, k: kept
	}{
		{"of each task the first", store.TestPlace{Printer: "P-1", Plate: "L-1", Last: last}, nil, []byte("s"), "T-1 T-2 "},
		{"another plate", store.TestPlace{Printer: "P-1", Plate: "L-2", Last: last}, nil, []byte("s"), "T-1 T-3 "},
		{"another printer without a plate", store.TestPlace{Printer: "P-2", Last: last}, nil, []byte("s"), ""},
		{"without a secret", store.TestPlace{Printer: "P-1", Last: last}, nil, nil, ""},
		{"kept", store.TestPlace{Printer: "P-1", Last: last}, []store.Drawn{held("probe", probe.ID.UUID.String(), time.Hour)}, []byte("s"), "T-1k T-3 "},
		{"kept for the later one", store.TestPlace{Printer: "P-1", Plate: "L-1", Last: last}, []store.Drawn{held("wipe", "T-3", time.Hour)}, nil, "T-3k "},
		{"drawn by the standing lot before it began", store.TestPlace{Printer: "P-1", Last: last}, []store.Drawn{held("probe", farm.DrawnLot, time.Hour)}, []byte("s"), "T-3 "},
		{"of the start before", store.TestPlace{Printer: "P-1", Last: last}, []store.Drawn{held("probe", farm.DrawnLot, 3*time.Hour)}, []byte("s"), "T-1 T-3 "},
		{"waited too long", store.TestPlace{Printer: "P-1", Last: at.Add(-9 * 24 * time.Hour)}, []store.Drawn{held("probe", probe.ID.UUID.String(), 8*24*time.Hour)}, []byte("s"), "T-3 "},
	} {
		got := ""
		for _, d := range store.TestDrawsOf(tests, c.held, c.secret, c.place, at) {
			got += d.Test.ID.Text()
			if d.Kept {
				got += "k"
			}
			got += " "
		}
		if got != c.want {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}

// Where the standing lot and planned tests take turns on a machine, and somebody begins a
// test by what the standing lot has just said, each start is drawn once for a task, both
// lots have their shares whatever the mood that makes layers fail, and of nothing neither
// shows an effect oftener than it may.
func TestBothLotsStayWhatTheyAre(t *testing.T) {
	const farms, starts = 250, 240
	begin := time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)
	r := rand.New(rand.NewPCG(37, 8))
	test := testOf(t, "T-1", "printer", "P-1", "probe", 0.5)
	secret := make([]byte, 8)
	wrong, tested, drawn := [2]int{}, 0, 0
	var byMood [2][2]float64 // of the test's: starts, done
	for f := range farms {
		binary.LittleEndian.PutUint64(secret, uint64(f))
		var of [2][]trial.Governed // by the standing lot, by the test
		mood, running := 0, false
		last := time.Time{}
		for k := range starts {
			at := begin.Add(time.Duration(k) * time.Hour)
			if r.Float64() < 0.1 {
				mood = 1 - mood
			}
			p := store.TestPlace{Printer: "P-1", Last: last}
			var held []store.Drawn
			if !running { // the standing lot is asked first, with a chance that goes with the mood
				at0 := int64(0)
				if !last.IsZero() {
					at0 = last.UnixMicro()
				}
				c := 0.2 + 0.6*float64(mood)
				d := store.Drawn{Task: "probe", Why: farm.DrawnLot, Arm: "leave", At: at.Add(-20 * time.Minute), Chance: c}
				if trial.Number(secret, "P-1", at0, "probe") < c {
					d.Arm = "do"
				}
				held = append(held, d)
				running = d.Arm == "do" && r.Float64() < 0.1
			} else {
				running = mood == 1 || r.Float64() > 0.1
			}
			var now []*farm.PlannedTest
			if running {
				now = append(now, test)
			}
			list := store.TestDrawsOf(now, held, secret, p, at.Add(-10*time.Minute))
			if len(list)+len(held) > 1 {
				t.Fatal("a start drawn for twice")
			}
			g := trial.Governed{Failed: r.Float64() < 0.1+0.2*float64(mood)}
			for _, d := range held {
				g.Do, g.Did, g.Chance = d.Arm == "do", d.Arm == "do", d.Chance
				of[0] = append(of[0], g)
			}
			for _, d := range list {
				g.Do, g.Did, g.Chance = d.Do, d.Do, d.Test.Share
				of[1] = append(of[1], g)
				byMood[mood][0]++
				if d.Do {
					byMood[mood][1]++
				}
			}
			last = at
		}
		tested, drawn = tested+len(of[1]), drawn+len(of[0])
		for i := range of {
			if e := trial.Estimate(of[i], 0.95); e.Low > 0 || e.High < 0 {
				wrong[i]++
			}
		}
	}
	for mood, x := range byMood {
		if off := (x[1] - x[0]/2) / math.Sqrt(x[0]/4); x[0] < 2000 || math.Abs(off) > 3 {
			t.Errorf("mood %d: of %g starts %g drawn to be done", mood, x[0], x[1])
		}
	}
	// 5 % of 250 is 12.5; more than 24 come by chance once in a thousand.
	if wrong[0] > 24 || wrong[1] > 24 || tested < 5000 || drawn < 5000 {
		t.Errorf("of %d farms without an effect the standing lot shows one in %d, the test in %d (%d and %d starts)", farms, wrong[0], wrong[1], drawn, tested)
	}
}
