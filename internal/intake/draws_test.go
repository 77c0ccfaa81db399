package intake

import (
	"strings"
	"testing"
	"time"
)

// What a draw must say.
func TestDrawsAreHeldToTheirForm(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	body := `{"kind":"draw","id":"L-1","printer":"R-1","task":"wipe","drawn_at":"2026-03-01T07:00:00Z","arm":"do","chance":0.5,"why":"lot"}`
	for _, c := range [][2]string{
		{``, ""}, {`"chance":0.5`, `"chance":1`}, {`"chance":0.5`, `"chance":0`}, {`"chance":0.5,`, ``}, {`"arm":"do"`, `"arm":"perhaps"`},
		{`"task":"wipe"`, `"task":"wash"`}, {`,"why":"lot"`, ``}, {`"why":"lot"`, `"why":"` + strings.Repeat("x", 65) + `"`},
	} {
		item := ParseRecord([]byte(strings.Replace(body, c[0], c[1], 1)), "", at)
		if (item.Err == nil) != (c[0] == "") {
			t.Errorf("%s for %s: %v", c[1], c[0], item.Err)
		}
	}
}
