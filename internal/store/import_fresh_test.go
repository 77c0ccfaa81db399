package store_test

import (
	"context"
	"fmt"
	"strings"
	"testing"

	"basecourse/internal/store"
)

// While the tables' own checks are off, what all rows name is looked up before a first
// import commits: a thing that is not there, and an act that is not, end it.
func TestWhatRowsNameIsLookedUpBeforeAFirstImportCommits(t *testing.T) {
	s, _ := farmWithThings(t)
	for _, c := range []struct {
		name, want     string
		printer, plate int32
		act            int64
	}{
		{"all there", "", 0, 0, 0},
		{"no such printer", "1 of printers that are not there, the first is 977", 977, 0, 0},
		{"no such plate", "1 of plates that are not there, the first is 64", 0, 64, 0},
		{"no such act", "act 4711 of the import is not there", 0, 0, 4711},
	} {
		got := ""
		if err := store.CheckNamed(context.Background(), s, c.printer, c.plate, c.act); err != nil {
			got = fmt.Sprint(err)
		}
		if got != c.want && (c.want == "" || !strings.Contains(got, c.want)) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
