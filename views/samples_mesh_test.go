package views

import "github.com/a-h/templ"

func meshSamples(text string) map[string]templ.Component {
	m := MeshMap{ID: "map", Title: text, Sub: text, Legend: text, Rows: [][]MeshCell{
		{{Place: text, Word: "–", None: true}, {Place: "column 2, row 2, back right", Sign: "▲", Word: "0.12", Level: 3, Out: true}},
		{{Place: "column 1, row 1, front left", Sign: "▼", Word: "−0.03", Level: -1}, {Place: "column 2, row 1, front right", Word: "0.01"}}}}
	part := MeshPart{Horizon: text, How: text, Notices: []string{text}, Map: m, Page: Link{Word: text, Href: "/probes/x"}}
	return map[string]templ.Component{
		"mesh-map":       MeshTable(m),
		"mesh-part":      Meshes(part),
		"mesh-part-none": Meshes(MeshPart{Empty: text}),
		"mesh-page": Mesh(MeshPage{Shell: Shell{Title: text}, Crumbs: []Fact{{Value: text, Href: "/printers/x"}}, State: text, Voided: text, Notices: []string{text}, Facts: []Fact{{Word: text, Value: text}}, Map: m,
			Against: MeshAgainst{Action: "/probes/x", Options: []Option{{Value: text, Word: text, Chosen: true}}, Facts: []Fact{{Word: text, Value: text}}, Map: m}, Part: part, CSV: "/probes/x/mesh.csv"}),
		"mesh-page-none": Mesh(MeshPage{Shell: Shell{Title: text}, State: text, Empty: text, Part: MeshPart{Empty: text}}),
	}
}
