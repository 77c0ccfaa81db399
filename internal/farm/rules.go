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

// WithDefaults gives the first layer with the bundle's defaults in the fields
// that were left empty: start_is, layer_height_mm, line_width_mm. Records keep
// them empty, because an empty field may still be filled once.
func (f FirstLayer) WithDefaults() FirstLayer {
	if f.StartIs == "" {
		f.StartIs = "first_line"
	}
	if !Known(f.LayerHeightMM) {
		f.LayerHeightMM = DefaultLayerHeightMM
	}
	if !Known(f.LineWidthMM) {
		f.LineWidthMM = DefaultLineWidthMM
	}
	return f
}
