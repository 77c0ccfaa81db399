package web

import (
	"math"
	"strconv"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/printable"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

var (
	massField = numberField{"patch_mass_g", "Mass of one patch", "Weighed on a scale that reads 0.01 g or finer", "g", math.NaN(), 0.001, 1000, "The mass must be between 0.001 and 1000 g."}
	areaField = numberField{"patch_area_mm2", "Its area", "Filled in for a patch of this printer’s coupon", "mm²", math.NaN(), 1, 1e6, "The area must be between 1 and 1,000,000 mm²."}
)

// weighed is a patch of the layer that was put on a scale; it is asked with the
// page and not kept.
type weighed struct{ numbersForm }

func readWeighed(c echo.Context, f *farm.FirstLayer, printer *farm.Printer) weighed {
	area := areaField
	if k, err := printable.ForPrinter(printer, f.LayerHeightMM, f.LineWidthMM, farm.Unknown()); err == nil {
		area.otherwise = math.Round(k.PatchMM * k.PatchMM)
	}
	return weighed{readNumbers(c, massField, area, densityField)}
}

// patch is what was weighed; all unknown where something is missing or wrong.
func (w *weighed) patch() assess.Patch {
	if len(w.problems) > 0 || !farm.Known(w.values[massField.name]) {
		return assess.Patch{MassG: farm.Unknown(), AreaMM2: farm.Unknown(), DensityGCM3: farm.Unknown()}
	}
	return assess.Patch{MassG: w.values[massField.name], AreaMM2: w.values[areaField.name], DensityGCM3: w.values[densityField.name]}
}

func (w *weighed) part(action string) views.WeighPart {
	p := views.WeighPart{Action: action, Fields: w.fields, Problems: w.problems}
	if x := w.patch(); farm.Known(x.MassG) {
		p.Open = true
		p.Says = "Weighed " + strconv.FormatFloat(x.MassG, 'f', max(2, decimals(x.MassG)), 64) + thin + "g: the advice above goes by it. It is not kept; write it into the note when you correct the record."
	}
	p.Open = p.Open || len(p.Problems) > 0
	return p
}
