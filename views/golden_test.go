package views

import (
	"bytes"
	"context"
	"flag"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// TestComponentsLookAsKept holds each state of each component against its
// golden file; a change is looked at, then kept with -update.
func TestComponentsLookAsKept(t *testing.T) {
	all := samples()
	maps.Copy(all, handSamples("L-203"))
	maps.Copy(all, meshSamples("M-014"))
	maps.Copy(all, setupSamples())
	maps.Copy(all, gradeSamples("L-203"))
	maps.Copy(all, trendSamples())
	maps.Copy(all, heightSamples("L-203"))
	maps.Copy(all, loopSamples("L-203"))
	maps.Copy(all, caseSamples("L-203"))
	maps.Copy(all, walkSamples("L-203"))
	for name, component := range all {
		t.Run(name, func(t *testing.T) {
			var buf bytes.Buffer
			if err := component.Render(context.Background(), &buf); err != nil {
				t.Fatal(err)
			}
			got := readable(buf.String())
			if strings.Contains(got, "style=") || strings.Contains(got, " onclick") || strings.Contains(got, "<script>") {
				t.Errorf("%s: has inline style or script, which the content security policy blocks", name)
			}
			file := filepath.Join("testdata", "golden", name+".html")
			if *update {
				if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if got != string(want) {
				t.Errorf("%s differs from %s; look at it, then run go test ./views -update\ngot:\n%s", name, file, got)
			}
		})
	}
}

// readable breaks the one long line templ writes at its tags.
func readable(html string) string { return strings.ReplaceAll(html, "><", ">\n<") + "\n" }

// TestHostileTextIsEscaped puts markup into every text of a row.
func TestHostileTextIsEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	rows := map[string]templ.Component{
		"floor row":   floorRow(&FloorRow{Tag: evil, Href: "/printers/x", Grade: "/grade/x", Bay: evil, Plate: evil, PlateHref: "/plates/x", PlateNote: evil, Probe: evil, State: State{evil, evil, "", ""}, Drawn: []string{evil}, Why: evil, Figures: evil, Next: evil}),
		"floor tile":  floorTile(&FloorRow{Tag: evil, Href: "/printers/x", Grade: "/grade/x", Bay: evil, Plate: evil, PlateNote: evil, State: State{evil, evil, "", ""}, Drawn: []string{evil}, Why: evil}),
		"chooser":     chooser(&Choice{evil, evil, evil, evil, []Option{{Value: evil, Word: evil, Chosen: true}}, []Option{{Value: evil, Word: evil}}}),
		"finding row": FindingRows("x", []FindingRow{{Kind: evil, Subject: evil, Href: "/", Cause: evil, CauseWord: evil, State: State{evil, evil, "", ""}, Case: evil, Summary: evil, Avoidable: evil, Counts: evil}}),
		"history":     History([]Event{{When: evil, ISO: evil, What: evil, Href: "/", State: State{evil, evil, "", ""}, With: evil, Late: evil, Voided: evil, Kind: evil}}),
		"table":       PlainTable(Table{Caption: evil, Sub: evil, Columns: []Column{{Word: evil, Number: true}}, Rows: []Row{{Cells: []Cell{{evil, evil, "/"}}}}}),
		"said": disagreements(FindingPage{Said: []Disagreement{{ID: evil, Who: evil, When: evil, ISO: evil, Then: evil, Reason: evil, Withdrawn: evil, Withdraw: "/"}},
			Form: DisagreeForm{Action: "/", ID: evil, Reason: evil, Problem: evil}}),
		"map":     markMap(MarkMap{ID: evil, Title: evil, Sub: evil, Rows: [][]MarkCell{{{evil, evil, evil, []string{evil}, 1}}}}),
		"facts":   Facts([]Fact{{evil, evil, "/", evil}}),
		"problem": problem(ProblemPage{Shell: Shell{Title: evil}, What: evil, Do: evil, Link: "/", LinkWord: evil, Ref: evil}),
		"sign-in": SignIn(SignInPage{Shell: Shell{Title: evil}, Handle: evil, Next: evil, Problem: evil}),
		"zones":   Zones(ZoneMap{evil, [][]ZoneCell{{{evil, evil, []string{evil}, true, true, evil}}}}),
		"chart": ChartFigure(Chart{ID: evil, Kind: evil, Title: evil, Sub: evil, Says: evil, Below: []string{evil}, CSV: "/", CSVWord: evil,
			Drawings: []Drawing{{Class: evil, ViewBox: evil, Mass: evil, Band: evil, Curve: evil, Ranges: []string{evil}, Dots: []ChartDot{{Word: evil, Says: evil, Kind: evil}}, Events: []ChartTick{{evil, evil, evil}}, Runs: []ChartRun{{evil, evil, evil, evil}}}}}),
		"multiples": Multiples([]Multiple{{Name: evil, Href: "/", Figures: evil, Says: evil}}),
	}
	maps.Copy(rows, meshSamples(evil))
	maps.Copy(rows, walkSamples(evil))
	for name, component := range rows {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") {
			t.Errorf("%s: stored text reached the page as markup: %s", name, buf.String())
		}
	}
}

// TestAddressesThatRunScriptsAreDropped: templ keeps only harmless schemes.
func TestAddressesThatRunScriptsAreDropped(t *testing.T) {
	var buf bytes.Buffer
	if err := Facts([]Fact{{"a", "b", "javascript:alert(1)", ""}}).Render(context.Background(), &buf); err != nil {
		t.Fatal(err)
	}
	if strings.Contains(buf.String(), "javascript:") {
		t.Errorf("a script's address reached the page: %s", buf.String())
	}
}
