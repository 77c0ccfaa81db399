package views

func sampleBead() BeadPage {
	return BeadPage{
		Shell: sampleShell("Lines of 0.20 × 0.45 mm", ""), Action: "/bead", Lead: "The gap may be 0.160 to 0.227 mm.", Seen: "A slit of 0.030 mm means a gap of 0.252 mm.",
		Fields: []BeadField{{"layer_height_mm", "Layer height", "In mm", "0.20", ""}}, Facts: []Fact{{"Middle", "0.194 mm", "", ""}}, Aim: "Aim no lower than 0.20 mm.",
		Drawings: []BeadDrawing{{"Aim, gap 0.194 mm", "Lines 0.46 mm wide.", "0 0 320 120", "320", "112", "70", "M1 2Z", []BeadLine{{"1", "2", "3", "4", "5"}}}}, Gaps: sampleTable(),
	}
}
