//go:build long

package web_test

import "testing"

// TestEveryHostileParameter sends every hostile value for every parameter.
func TestEveryHostileParameter(t *testing.T) { hostileParams(t, len(hostileValues)) }
