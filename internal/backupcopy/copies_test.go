package backupcopy

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"basecourse/internal/testdb"

	"golang.org/x/sys/unix"
)

var midday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// farmOf writes a small farm: n printers and a plate.
func farmOf(n int) func(context.Context, string) (int, error) {
	return func(_ context.Context, dir string) (int, error) {
		printers := "printer,bed_x_mm,bed_y_mm\r\n"
		for i := range n {
			printers += "P-" + string(rune('a'+i)) + ",250,250\r\n"
		}
		err := os.WriteFile(filepath.Join(dir, "printers.csv"), []byte(printers), 0o600)
		return n + 1, errors.Join(err, os.WriteFile(filepath.Join(dir, "plates.csv"), []byte("plate,surface\r\nL-1,glass\r\n"), 0o600))
	}
}

func newKeeper(t *testing.T, now *time.Time) *Keeper {
	k := &Keeper{Dir: filepath.Join(t.TempDir(), "copies"), What: "daily copy", Suffix: ".zip", Now: func() time.Time { return *now }}
	k.Make = Bundle(farmOf(3), k.Now)
	return k
}

func TestACopyIsWrittenReadBackAndTold(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	if c, err := k.Latest(t.Context()); err != nil || !c.WrittenAt.IsZero() {
		t.Errorf("Latest before the first copy: %+v, %v, want none", c, err)
	}
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatalf("WriteOne: %v", err)
	}
	c, err := k.Latest(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := Copy{WrittenAt: midday, Path: filepath.Join(k.Dir, "2026-03-02T120000Z.zip"), Rows: 4, Kept: 1}
	if c != want {
		t.Errorf("Latest: got %+v, want %+v", c, want)
	}
	if rows, err := ReadBack(t.Context(), c.Path, now); rows != 4 || err != nil {
		t.Errorf("ReadBack of the copy: %d, %v, want 4 rows", rows, err)
	}
	if _, err := os.Stat(filepath.Join(k.Dir, "writing")); !os.IsNotExist(err) {
		t.Errorf("the folder of the writing: %v, want it gone", err)
	}
	if fi, err := os.Stat(k.Dir); err != nil || fi.Mode().Perm() != 0o700 {
		t.Errorf("folder of the copies: %v, %v, want mode 0700", fi.Mode(), err)
	}
}

func TestFourteenCopiesAreKept(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	for range Kept + 3 {
		if err := k.WriteOne(t.Context()); err != nil {
			t.Fatal(err)
		}
		now = now.Add(Every)
	}
	names, err := k.names()
	if err != nil || len(names) != Kept {
		t.Fatalf("%d copies kept (%v), want %d", len(names), err, Kept)
	}
	k.Keep = 3
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	if few, err := k.names(); err != nil || len(few) != 3 {
		t.Errorf("%d copies kept of three (%v)", len(few), err)
	}
	if oldest := k.writtenAt(names[Kept-1]); !oldest.Equal(midday.Add(3 * Every)) {
		t.Errorf("oldest kept copy is of %s, want the newest %d", oldest, Kept)
	}
}

func TestACopyThatCannotBeReadBackIsNotKept(t *testing.T) {
	for name, write := range map[string]func(context.Context, string) (int, error){
		"the export fails": func(context.Context, string) (int, error) { return 0, errors.New("no space left") },
		"a row is wrong": func(_ context.Context, dir string) (int, error) {
			n, err := farmOf(2)(t.Context(), dir)
			return n, errors.Join(err, os.WriteFile(filepath.Join(dir, "plates.csv"), []byte("plate,surface\r\nL-1,marble\r\n"), 0o600))
		},
		"a file is missing": func(_ context.Context, dir string) (int, error) {
			n, err := farmOf(2)(t.Context(), dir)
			return n, errors.Join(err, os.Remove(filepath.Join(dir, "printers.csv")))
		},
		"rows are missing": func(_ context.Context, dir string) (int, error) {
			n, err := farmOf(2)(t.Context(), dir)
			return n + 5, err
		},
	} {
		t.Run(name, func(t *testing.T) {
			now := midday
			k := newKeeper(t, &now)
			if err := k.WriteOne(t.Context()); err != nil {
				t.Fatal(err)
			}
			now = now.Add(Every)
			k.Make = Bundle(write, k.Now)
			if err := k.WriteOne(t.Context()); err == nil {
				t.Error("WriteOne succeeded, want an error")
			}
			c, err := k.Latest(t.Context())
			if err != nil || !c.WrittenAt.Equal(midday) || c.Kept != 1 {
				t.Errorf("after a failed try: %+v, %v, want the earlier copy alone", c, err)
			}
		})
	}
}

func TestACopyIsDueADayAfterTheNewest(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	due := func(what string, want time.Duration) {
		t.Helper()
		if got, err := k.untilDue(); got != want || err != nil {
			t.Errorf("%s: due in %v (%v), want %v", what, got, err, want)
		}
	}
	due("with no copy", 0)
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	now = midday.Add(5 * time.Hour)
	due("five hours later", 19*time.Hour)
	now = midday.Add(25 * time.Hour)
	due("a day and an hour later", -time.Hour)
	k.fail(errors.New("disk full"))
	due("after a failure", retryAfter)
	now = midday.Add(-48 * time.Hour)
	k.failed = time.Time{}
	due("with a clock that was ahead", 0)
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	due("after the first copy of the clock set back", Every)
	now = now.Add(time.Hour)
	k.fail(errors.New("disk full"))
	now = now.Add(-24 * time.Hour)
	due("after a failure of a clock that was ahead", 0)
}

func TestTheKeeperTellsWhatFailedAndGoesOn(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	said := make(chan string, 5)
	k.Log = func(s string) { said <- s }
	k.Make = Bundle(func(context.Context, string) (int, error) { return 0, errors.New("no space left") }, k.Now)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() { k.Run(ctx); close(ended) }()
	if s := <-said; !strings.Contains(s, "no space left") {
		t.Errorf("it said %q, want the reason", s)
	}
	c, err := k.Latest(t.Context())
	if err != nil || !strings.Contains(c.Problem, "no space left") {
		t.Errorf("Latest: %+v, %v, want the reason", c, err)
	}
	cancel()
	<-ended
	k.Make = Bundle(farmOf(1), k.Now)
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	if c, _ := k.Latest(t.Context()); c.Problem != "" {
		t.Errorf("after a copy that worked the problem is still %q", c.Problem)
	}
}

func TestOfTwoProcessesOneWrites(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	if err := os.MkdirAll(k.Dir, 0o700); err != nil {
		t.Fatal(err)
	}
	other, err := os.Create(filepath.Join(k.Dir, "lock"))
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	if err := unix.Flock(int(other.Fd()), unix.LOCK_EX); err != nil {
		t.Fatal(err)
	}
	if err := k.WriteOne(t.Context()); !errors.Is(err, errBusy) {
		t.Errorf("WriteOne while another writes: %v, want %v", err, errBusy)
	}
}

// TestACopyForWhichThereIsNoRoom fills the disk of the copies: none stands there by
// halves, the older ones stay, it says what is wrong, and the next try works.
func TestACopyForWhichThereIsNoRoom(t *testing.T) {
	now := midday
	k := newKeeper(t, &now)
	k.Dir = filepath.Join(testdb.SmallDisk(t, 1), "copies")
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	before := testdb.Files(t, k.Dir)
	free := testdb.Fill(t, filepath.Dir(k.Dir))
	now = now.Add(Every)
	ctx, stop := context.WithCancel(t.Context())
	k.Log = func(string) { stop() } // it has failed and says so
	k.Run(ctx)
	if c, err := k.Latest(t.Context()); err != nil || !c.WrittenAt.Equal(midday) || !strings.Contains(c.Problem, "is full") || !strings.Contains(c.Problem, k.Dir) {
		t.Errorf("Latest without room: %+v, %v, want the older copy and what is wrong", c, err)
	}
	if after := testdb.Files(t, k.Dir); !slices.Equal(before, after) {
		t.Errorf("in the folder: %v, want %v", after, before)
	}
	free()
	now = now.Add(retryAfter)
	if wait, err := k.untilDue(); err != nil || wait > 0 {
		t.Errorf("due in %s, %v, want now", wait, err)
	}
	if err := k.WriteOne(t.Context()); err != nil {
		t.Fatal(err)
	}
	if c, err := k.Latest(t.Context()); err != nil || !c.WrittenAt.Equal(now) || c.Problem != "" || c.Kept != 2 {
		t.Errorf("Latest with room: %+v, %v", c, err)
	}
}
