//go:build long

package main

import "testing"

func TestTwentyTimesWhatWasAnsweredAsRecordedSurvivesKill9(t *testing.T) { crashRounds(t, 20) }
