package views

import (
	"bytes"
	"context"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

func heightSamples(tag string) map[string]templ.Component {
	fields := []Field{{Name: "printer", Label: "Printer", Kind: "text", Value: "P-014", Hint: "For example P-014"}}
	table := Table{Caption: "Plate sides", Sub: "against the mean of their group", Columns: []Column{{Word: "Plate"}, {Word: "Than the mean", Number: true}, {Word: "Likely"}},
		Rows: []Row{{Cells: []Cell{{Text: tag, Href: "/plates/L-203"}, {Text: "0.03 mm thicker"}, {Text: "0.02 to 0.04 mm thicker"}}}}}
	return map[string]templ.Component{
		"heights-book": heightsBody(HeightsPage{Crumb: "/trends", Lead: "From 24 layers.", Left: "Not in the book: 1 printer.", Action: "/heights", Fields: fields, Answer: tag + " on P-014: expect nozzle up 0.03 mm.",
			Parts: FilterRow{Label: "Show", Links: []FilterLink{{"Plates", "3", "/heights?part=plates", true}, {"Printers", "2", "/heights?part=printers", false}}}, Part: "plates", Table: table,
			Pager: Pager{Older: "/heights?part=plates&page=2", Plain: true}, CSV: "/heights.csv?part=plates", Method: "All pairs at once."}),
		"heights-empty": heightsBody(HeightsPage{Crumb: "/trends", Lead: "Which plates are thick.", Action: "/heights", Fields: fields, Problems: []FormProblem{{"printer", "There is no printer " + tag + "."}}, Empty: "Nothing to tell yet.", Part: "plates"}),
		"heights-part":  heightsPart(HeightsPart{Title: "Thickness", Lines: []string{tag + " A is 0.01 mm thicker than " + tag + " B."}, Table: table, Sub: "The mean is that of 12.", Book: "/heights"}),
		"heights-none":  heightsPart(HeightsPart{}),
	}
}

func TestHostileTextInHeightsIsEscaped(t *testing.T) {
	for name, component := range heightSamples(`"><script>alert(1)</script>`) {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") {
			t.Errorf("%s: stored text reached the page as markup: %s", name, buf.String())
		}
	}
}
