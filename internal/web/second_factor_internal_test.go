package web

import (
	"encoding/base32"
	"testing"
	"time"
)

// The codes of RFC 6238, appendix B (SHA-1), their last six digits, and how far
// off a clock may be.
func TestStepsOfTimeBasedCodes(t *testing.T) {
	secret := base32.StdEncoding.WithPadding(base32.NoPadding).EncodeToString([]byte("12345678901234567890"))
	for _, x := range []struct {
		at   int64
		code string
	}{{59, "287082"}, {1111111109, "081804"}, {1111111111, "050471"}, {1234567890, "005924"}, {2000000000, "279037"}, {20000000000, "353130"}} {
		step := x.at / 30
		for off, want := range map[int64]int64{0: step, 30: step, -30: step, 60: 0, -60: 0} {
			if x.at+off < 0 {
				continue // no clock stands there
			}
			if got, err := stepOf(secret, x.code, time.Unix(x.at+off, 0)); err != nil || got != want {
				t.Errorf("code of %d at %+d s: got step %d, %v, want %d", x.at, off, got, err, want)
			}
		}
	}
}
