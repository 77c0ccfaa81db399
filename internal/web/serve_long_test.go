//go:build long

package web_test

import (
	"testing"
	"time"
)

// TestTwoHundredSlowSendersOfEachKindAreDropped: none outlasts 35 seconds, and honest
// senders do not notice.
func TestTwoHundredSlowSendersOfEachKindAreDropped(t *testing.T) {
	site, address := serving(t)
	dropSlow(t, site, address, []int{200, 200, 200, 200}, 35*time.Second)
}
