package farm

// Failed tells whether a graded first layer counts as a failure: grade failed,
// or an underside that is shown with grade marginal or failed. Outcome and
// nudge never enter it. An ungraded start is no failure.
func Failed(grade, underside string) bool {
	return grade == "failed" || underside == "shown" && grade == "marginal"
}

// Defaults of the bundle for columns left empty.
const (
	DefaultZones         = 3
	DefaultZStepMM       = 0.01
	DefaultLayerHeightMM = 0.20
	DefaultLineWidthMM   = 0.45
)
