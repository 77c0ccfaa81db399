package views

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

func sampleBead() BeadPage {
	return BeadPage{
		Shell: sampleShell("Lines of 0.20 × 0.45 mm", ""), Action: "/bead", Lead: "The gap may be 0.160 to 0.227 mm.", Seen: "A slit of 0.030 mm means a gap of 0.252 mm.",
		Fields: []Field{{Name: "layer_height_mm", Label: "Layer height", Kind: "number", Value: "0.20", Unit: "mm"}}, Facts: []Fact{{"Middle", "0.194 mm", "", ""}}, Aim: "Aim no lower than 0.20 mm.",
		Drawings: []BeadDrawing{{"Aim, gap 0.194 mm", "Lines 0.46 mm wide.", "0 0 320 120", "320", "112", "70", "M1 2Z", []BeadLine{{"1", "2", "3", "4", "5"}}}}, Gaps: sampleTable(),
	}
}

func sampleCoupon() CouponPage {
	return CouponPage{
		Shell: sampleShell("Coupon for P-014", "/floor"), Tag: "P-014", Crumb: "/printers/P-014", Lead: "A test print.", Caution: "Hot.", Action: "/printers/P-014/coupon",
		Fields: []Field{{Name: "layer_height_mm", Label: "Layer height", Kind: "number", Value: "0.20", Unit: "mm"}},
		Files:  []Link{{"Download 3MF", "/printers/P-014/coupon/file?format=3mf", true}}, Facts: []Fact{{"Expected mass", "1.76 g", "", "at 1.24 g/cm³"}},
		Plan: CouponPlan{"Nine zones.", "0 0 250 250", "250", "250", "M83 0V250", "M1 1h2v2h-2z", "M1 1h2v2h-2z"}, Steps: []string{"Print it."}, Bead: "/bead",
	}
}

// TestHostileTextInBeadAndCouponIsEscaped puts markup into every text.
func TestHostileTextInBeadAndCouponIsEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	fields := []Field{{Name: evil, Label: evil, Kind: "number", Hint: evil, Value: evil, Unit: evil, Wrong: evil}}
	for name, component := range map[string]templ.Component{
		"bead": beadBody(BeadPage{Lead: evil, Seen: evil, Aim: evil, Fields: fields, Problems: []FormProblem{{evil, evil}}, Drawings: []BeadDrawing{{Title: evil, Words: evil, Tip: evil}}}),
		"coupon": couponBody(CouponPage{Tag: evil, Crumb: "/", Lead: evil, Caution: evil, Fields: fields, Problems: []FormProblem{{evil, evil}}, Files: []Link{{evil, "/", true}}, Facts: []Fact{{evil, evil, "/", evil}},
			Plan: CouponPlan{evil, evil, evil, evil, evil, evil, evil}, Steps: []string{evil}}),
	} {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") {
			t.Errorf("%s: stored text reached the page as markup: %s", name, buf.String())
		}
	}
}
