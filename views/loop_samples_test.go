package views

import (
	"bytes"
	"context"
	"maps"
	"strings"
	"testing"

	"github.com/a-h/templ"
)

// loopSamples are the states of what was decided, done and proved; text stands
// wherever somebody may have typed.
func loopSamples(text string) map[string]templ.Component {
	proving := Proof{Code: "proving", State: State{Code: "proving", Word: "Proving 4 of 11"}, What: "Plate washed", Href: "/first-layers/1", Subject: text, When: "2026-03-09 14:02", ISO: "2026-03-09T12:02:00Z", By: text,
		Words: "good layers in a row, none nudged", Layers: []Fact{{Word: "good, on P-014", Value: "2026-03-09 15:00", Href: "/first-layers/2"}}}
	back := Proof{Code: "came_back", State: State{"came_back", "Came back", "half", "soon"}, What: "Probed", Subject: text, When: "2026-03-08 09:00", ISO: "2026-03-08T07:00:00Z", Words: "came back after 3 good layers"}
	said := Proof{Code: "disagreed", State: State{Code: "disagreed", Word: "Disagreed"}, What: "Advice was: probed", Subject: text, When: "2026-03-08 09:00", ISO: "2026-03-08T07:00:00Z", Words: text}
	ends := []Option{{Value: "finished", Word: "Finished"}, {Value: "detached", Word: "Came off the plate"}}
	return map[string]templ.Component{
		"proofs":      Proofs("Fixes", []Proof{proving, back, said}),
		"proofs-none": Proofs("Fixes", nil),
		"decide":      DecideNow(Decide{Action: "/first-layers/1/decision", Lead: "One tap.", Step: "0.01 mm", StepMM: "0.01"}),
		"ended":       DecideNow(Decide{EndsTo: "/first-layers/1/outcome", Ends: ends}),
		"outcomes": Outcomes(OutcomesPage{Shell: sampleShell("Parts coming off", "/grade"), Lead: "2 prints without an outcome.", Saved: SavedLine{Words: text, Undo: "/upkeep/undo", Entry: "7", Next: "/outcomes"}, Became: "/outcomes/by-mark",
			Groups: []OpenGroup{{"bay-1", text, []OpenEnd{{ID: "1", Action: "/first-layers/1/outcome", Href: "/first-layers/1", Printer: text, When: "2026-03-09 13:40", ISO: "2026-03-09T11:40:00Z", With: text, Runs: "may still run", Options: ends}}}},
			Left:   "Prints 1 to 60 of 70, in walking order.", Pager: Pager{Plain: true, Older: "/outcomes?page=2"}}),
		"outcomes-none": Outcomes(OutcomesPage{Shell: sampleShell("Parts coming off", "/grade"), Lead: "One tap.", Became: "/outcomes/by-mark", Empty: "Of every start it is known how it ended."}),
		"became": Became(BecamePage{Shell: sampleShell("What became of layers with marks", "/grade"), Lead: "Held: the part was finished.", Back: "/outcomes", Tables: []Table{{Caption: "By mark and severity",
			Columns: []Column{{Word: "Mark"}, {Word: "Let run and held, likely range"}}, Rows: []Row{{Cells: []Cell{{Text: "Blobs"}, {Text: "7 of 62", Note: "(11 %, likely 6 to 22 %)"}}}}}}}),
		"became-none": Became(BecamePage{Shell: sampleShell("What became of layers with marks", "/grade"), Back: "/outcomes", Empty: "Nothing decided yet."}),
	}
}

func TestHostileTextInProofsIsEscaped(t *testing.T) {
	const evil = `"><script>alert(1)</script>`
	all := loopSamples(evil)
	maps.Copy(all, caseSamples(evil))
	for name, component := range all {
		var buf bytes.Buffer
		if err := component.Render(context.Background(), &buf); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(buf.String(), "<script>alert") {
			t.Errorf("%s: typed text stands unescaped", name)
		}
	}
}
