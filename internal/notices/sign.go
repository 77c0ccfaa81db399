package notices

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"strconv"
	"time"
)

// ReplayWindow is how old a time stamp a receiver should still take.
const ReplayWindow = 5 * time.Minute

// Stamp is a time as the header gives it: seconds since 1970.
func Stamp(at time.Time) string { return strconv.FormatInt(at.Unix(), 10) }

// Sign is the signature of a body sent at a time: HMAC-SHA256 (RFC 2104, FIPS
// 180-4) of stamp, a full stop and the body, in lower-case hex.
func Sign(secret []byte, at time.Time, body []byte) string {
	return mac(secret, []byte(Stamp(at)), []byte{'.'}, body)
}

func mac(secret []byte, parts ...[]byte) string {
	m := hmac.New(sha256.New, secret)
	for _, p := range parts {
		m.Write(p)
	}
	return hex.EncodeToString(m.Sum(nil))
}
