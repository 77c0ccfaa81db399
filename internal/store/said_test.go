package store_test

import (
	"context"
	"fmt"
	"testing"

	"basecourse/internal/intake"
	"basecourse/internal/store"
)

// What people do is counted; what machines send together is not, nor what the program
// draws by itself.
func TestWhatPeopleDoIsCounted(t *testing.T) {
	s, _ := farmWithThings(t)
	for i, via := range []string{"api", "page", "program", "api", "import", "command"} {
		before := s.Said()
		item := intake.ParseRecord([]byte(fmt.Sprintf(`{"kind":"probe","id":"S-%d","printer":"R-1","probed_at":"2026-03-01T07:00:00Z"}`, i)), "", clock)
		if each, err := s.RecordEach(context.Background(), store.Act{Via: via}, []intake.Item{item}); err != nil || each[0].Err != nil {
			t.Fatal(err, each)
		}
		want := int64(1)
		if via == "api" || via == "program" {
			want = 0
		}
		if n := s.Said() - before; n != want {
			t.Errorf("%s, together: counted %d, want %d", via, n, want)
		}
		before = s.Said()
		if _, err := s.Record(context.Background(), store.Act{Via: via}, intake.ParseRecord([]byte(fmt.Sprintf(`{"kind":"probe","id":"T-%d","printer":"R-1","probed_at":"2026-03-01T07:00:00Z"}`, i)), "", clock)); err != nil {
			t.Fatal(err)
		}
		if via != "program" {
			want = 1 // alone it may be anybody's
		}
		if n := s.Said() - before; n != want {
			t.Errorf("%s, alone: counted %d, want %d", via, n, want)
		}
	}
}
