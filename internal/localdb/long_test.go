//go:build long

package localdb

import "testing"

func TestTenKilledRunsStartAgainCleanly(t *testing.T) { killRounds(t, 10) }
