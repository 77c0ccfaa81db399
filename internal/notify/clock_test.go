package notify_test

import (
	"context"
	"errors"
	"net/http"
	"path"
	"slices"
	"testing"
	"time"

	"basecourse/internal/notices"
	"basecourse/internal/notify"
)

// TestNoticesWhileTheClockJumps sets the server's clock ahead and back between looks: a
// job that turns at risk is told once, at the first look after it has, whatever the clock
// was at the looks before; what was told ahead is sent once; the calm after which it
// would be news again is not that of a clock that was ahead.
func TestNoticesWhileTheClockJumps(t *testing.T) {
	for name, x := range map[string]struct {
		off   time.Duration // of the clock, while it is wrong
		sends bool          // the queue is looked at while it is wrong
	}{
		"an hour ahead":              {time.Hour, true},
		"a day ahead":                {24 * time.Hour, true},
		"a year ahead":               {365 * 24 * time.Hour, true},
		"a day ahead, nothing sent":  {24 * time.Hour, false},
		"a year ahead, nothing sent": {365 * 24 * time.Hour, false},
		"an hour behind":             {-time.Hour, true},
		"a day behind":               {-24 * time.Hour, true},
		"a year behind":              {-365 * 24 * time.Hour, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f, b, ctx := newFarm(t), newBoard(t), context.Background()
			f.hook(t, "board", b.URL)
			mara := f.person(t, "mara")
			f.exec(t, `INSERT INTO printers (printer, bed_x_mm, bed_y_mm) VALUES ('P-001', 250, 210)`)
			farm := &standing{jobs: []notices.JobState{{Job: "J-1", Enough: 0.99}, {Job: "J-2", Enough: 0.99}, {Job: "J-3", Enough: 0.5}, {Job: "J-4", Enough: 0.99}}}
			sends := true
			look := func(what string, want ...string) {
				t.Helper()
				f.move(10 * time.Minute)
				farm.at = f.Now()
				n := notify.New(notify.Config{Store: f.Store, Farm: farm, Guard: loopback(t)})
				for range 2 {
					if err := errors.Join(n.LookAtJobs(ctx), n.LookAtHolds(ctx), f.SweepNotices(ctx)); err != nil {
						t.Fatal(err)
					}
				}
				if sends {
					drain(t, n)
				}
				list, err := f.PersonNotices(ctx, mara, 0, 50)
				if err != nil {
					t.Fatal(err)
				}
				var got []string
				for _, l := range list {
					got = append(got, path.Base(l.Path))
				}
				slices.Reverse(got)
				if !slices.Equal(got, want) {
					t.Fatalf("%s: told %q, want %q", what, got, want)
				}
				if _, all := b.got(); sends && all != len(want) {
					t.Errorf("%s: %d posts, want %d", what, all, len(want))
				}
			}
			look("the first look")
			f.exec(t, `INSERT INTO holds (id, placed_at, noted_at, arrived_at, subject_kind, printer) SELECT '00000000-0000-7000-8000-000000000001', $1, $1, $1, 'printer', id FROM printers`, f.Now())
			look("a hold", "P-001")
			farm.jobs[0].Enough, farm.jobs[3].Enough = 0.5, 0.5
			sends = x.sends
			f.move(x.off)
			look("the clock is wrong, jobs at risk", "P-001", "J-1", "J-4")
			look("again", "P-001", "J-1", "J-4")
			farm.jobs[0].Enough, farm.jobs[3].Enough = 0.99, 0.99
			look("clear while it is wrong", "P-001", "J-1", "J-4")
			f.move(-x.off)
			sends = true
			farm.jobs[1].Enough = 0.5
			look("right again, another job at risk", "P-001", "J-1", "J-4", "J-2")
			look("again", "P-001", "J-1", "J-4", "J-2")
			if x.off <= -notices.CalmJob {
				return // clear since so long ago that it is news again, as after a night without a server
			}
			farm.jobs[0].Enough = 0.5
			look("the first at risk again, within its calm", "P-001", "J-1", "J-4", "J-2")
			farm.jobs[0].Enough = 0.99
			look("clear", "P-001", "J-1", "J-4", "J-2")
			f.move(notices.CalmJob)
			look("clear for its calm", "P-001", "J-1", "J-4", "J-2")
			farm.jobs[0].Enough, farm.jobs[3].Enough = 0.5, 0.5
			look("news again", "P-001", "J-1", "J-4", "J-2", "J-1", "J-4")
		})
	}
}

// What failed to be sent while the clock was ahead is tried again within the wait of its
// tries, under the same key.
func TestWhatWasToBeTriedAgainByAClockThatWasAhead(t *testing.T) {
	f, b := newFarm(t), newBoard(t)
	f.hook(t, "board", b.URL)
	b.set(http.StatusServiceUnavailable, 0)
	n := notify.New(notify.Config{Store: f.Store, Guard: loopback(t)})
	f.tell(t, "P-014")
	f.move(24 * time.Hour)
	drain(t, n)
	f.move(-24 * time.Hour)
	b.set(http.StatusOK, 0)
	drain(t, n)
	if keys, all := b.got(); keys != 1 || all != 2 {
		t.Errorf("%d keys, %d posts, want one key, once refused and once taken", keys, all)
	}
}
