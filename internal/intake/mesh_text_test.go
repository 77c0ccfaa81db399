package intake

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"basecourse/internal/fault"
)

// The samples and what each must be read as stand in testdata/meshes.
func TestMeshSamples(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join("testdata", "meshes", "expected.json"))
	if err != nil {
		t.Fatal(err)
	}
	var want map[string]struct {
		Columns, Rows int
		FirstRow      string     `json:"first_row"`
		Asks          bool       `json:"asks"`
		XMM           []float64  `json:"x_mm"`
		YMM           []float64  `json:"y_mm"`
		HeightsMM     []*float64 `json:"heights_mm"`
	}
	if err := json.Unmarshal(raw, &want); err != nil {
		t.Fatal(err)
	}
	for name, w := range want {
		t.Run(name, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join("testdata", "meshes", name))
			if err != nil {
				t.Fatal(err)
			}
			read, err := ReadMeshText(string(text))
			if err != nil {
				t.Fatal(err)
			}
			m, err := read.Place("")
			if asks := read.Says == "" && err != nil; asks != w.Asks {
				t.Fatalf("asks %v (%v), want %v", asks, err, w.Asks)
			}
			if w.Asks {
				if m, err = read.Place(w.FirstRow); err != nil {
					t.Fatal(err)
				}
			}
			if m.Columns != w.Columns || m.Rows != w.Rows || m.FirstRow != w.FirstRow {
				t.Fatalf("%d × %d, first row %s; want %d × %d, %s", m.Columns, m.Rows, m.FirstRow, w.Columns, w.Rows, w.FirstRow)
			}
			if fmt.Sprint(m.XMM) != fmt.Sprint(w.XMM) || fmt.Sprint(m.YMM) != fmt.Sprint(w.YMM) {
				t.Errorf("positions %v %v, want %v %v", m.XMM, m.YMM, w.XMM, w.YMM)
			}
			for i, z := range w.HeightsMM {
				if z == nil != math.IsNaN(m.HeightsMM[i]) || z != nil && *z != m.HeightsMM[i] {
					t.Errorf("height %d is %v", i, m.HeightsMM[i])
				}
			}
		})
	}
}

// Layouts of the same bed, all invented: front row -0.1 0 0.1, back row
// 0.2 0.3 0.4 on 3 × 2, or with a point missing.
func TestMeshLayouts(t *testing.T) {
	const front, missing = "-0.1 0 0.1 0.2 0.3 0.4", "-0.1 NaN 0.1 0.2 0.3 0.4"
	for name, c := range map[string]struct{ text, first, want string }{
		"plain":                  {"-0.1 0.0 0.1\n0.2 0.3 0.4\n", "front", front},
		"back first":             {"0.2 0.3 0.4\n-0.1 0.0 0.1", "back", front},
		"carriage returns":       {"-0.1 0.0 0.1\r\n0.2 0.3 0.4\r\n", "front", front},
		"nested brackets":        {"[[-0.1, 0.0, 0.1], [0.2, 0.3, 0.4]]", "front", front},
		"nested brackets, rows":  {"[[-0.1, 0.0, 0.1],\n [0.2, 0.3, 0.4]]", "front", front},
		"braces in one line":     {"{{-0.1f, 0.0, 0.1}}", "", "refused"},
		"braces, one line":       {"float mesh = {{-0.1, 0.0, 0.1}, {0.2, 0.3, 0.4}};", "front", front},
		"wrapped brackets":       {"[[-0.1  0.0\n   0.1]\n [ 0.2 0.3\n   0.4]]", "front", front},
		"NaN in brackets":        {"[[-0.1, NaN, 0.1],\n [0.2, 0.3, 0.4]]", "front", missing},
		"trailing commas":        {"-0.1, 0.0, 0.1,\n0.2, 0.3, 0.4,\n", "front", front},
		"trailing comma once":    {"-0.1, 0.0, 0.1,\n0.2, 0.3, 0.4\n", "front", front},
		"csv with an empty cell": {"-0.1,,0.1\n0.2,0.3,0.4", "front", missing},
		"csv, last cell empty":   {"-0.1,0.0,0.1\n0.2,0.3,", "front", "-0.1 0 0.1 0.2 0.3 NaN"},
		"csv, first cell empty":  {",0.0,0.1\n0.2,0.3,0.4", "front", "NaN 0 0.1 0.2 0.3 0.4"},
		"bars, empty":            {"| -0.1 | | 0.1 |\n| 0.2 | 0.3 | 0.4 |", "front", missing},
		"bars, first empty":      {"| | 0.0 | 0.1 |\n| 0.2 | 0.3 | 0.4 |", "front", "NaN 0 0.1 0.2 0.3 0.4"},
		"tabs, empty":            {"-0.1\t\t0.1\n0.2\t0.3\t0.4", "front", missing},
		"n/a":                    {"-0.1 n/a 0.1\n0.2 0.3 0.4", "front", missing},
		"a dash":                 {"-0.1 - 0.1\n0.2 0.3 0.4", "front", missing},
		"long dash":              {"-0.1 — 0.1\n0.2 0.3 0.4", "front", missing},
		"a dot":                  {"-0.1 . 0.1\n0.2 0.3 0.4", "front", missing},
		"nan":                    {"-0.1 nan 0.1\n0.2 0.3 0.4", "front", missing},
		"a row missing":          {"- - -\n0.2 0.3 0.4\n0.1 0.1 0.1", "front", "NaN NaN NaN 0.2 0.3 0.4 0.1 0.1 0.1"},
		"row numbers":            {"  0 1 2\n0 -0.1 0.0 0.1\n1 0.2 0.3 0.4", "front", front},
		"row numbers, colons":    {"0: -0.1 0.0 0.1\n1: 0.2 0.3 0.4", "front", front},
		"row numbers, walls":     {"     1 2 3\n-------\n1 | -0.1 0.0 0.1\n2 | 0.2 0.3 0.4", "front", front},
		"row numbers from below": {"2 0.2 0.3 0.4\n1 -0.1 0.0 0.1\n   1 2 3", "back", front},
		"row words":              {"Row 1: -0.1 0.0 0.1\nRow 2: 0.2 0.3 0.4", "front", front},
		"lettered columns":       {"      A    B    C\n1  -0.1  0.0  0.1\n2   0.2  0.3  0.4", "front", front},
		"markdown":               {"| | 1 | 2 | 3 |\n|---|---|---|---|\n| 1 | -0.1 | 0.0 | 0.1 |\n| 2 | 0.2 | 0.3 | 0.4 |", "front", front},
		"stamps":                 {"2026-03-11T06:12:43.120Z -0.1 0.0 0.1\n2026-03-11T06:12:43.140Z 0.2 0.3 0.4", "front", front},
		"stamps, commas":         {"2026-03-11 06:12:43,120 INFO mesh -0.1 0.0 0.1\n2026-03-11 06:12:43,140 INFO mesh 0.2 0.3 0.4", "front", front},
		"seconds since start":    {"[ 1203.51] -0.1 0.0 0.1\n[ 1203.52] 0.2 0.3 0.4", "front", front},
		"summary below":          {"-0.1 0.0 0.1\n0.2 0.3 0.4\nrange: 0.5, mean 0.15\n", "front", front},
		"summary above":          {"Probing at 60.0 °C, 3 columns, 2 rows\n\n-0.1 0.0 0.1\n0.2 0.3 0.4", "front", front},
		"decimal comma":          {"-0,1; 0,0; 0,1\n0,2; 0,3; 0,4", "front", front},
		"decimal comma, list":    {"-0,1, 0,0, 0,1\n0,2, 0,3, 0,4", "front", front},
		"unicode minus":          {"−0.1 0.0 0.1\n0.2 0.3 0.4", "front", front},
		"plus signs, units":      {"-0.1mm +0.0mm +0.1mm\n+0.2mm +0.3mm +0.4mm", "front", front},
		"exponents":              {"-1e-1 0.0 1E-1\n2e-1 0.3 0.4", "front", front},
		"quotes":                 {"\"-0.1\",\"0.0\",\"0.1\"\n\"0.2\",\"0.3\",\"0.4\"", "front", front},
		"double spaced":          {"-0.1 0.0 0.1\n\n0.2 0.3 0.4\n\n0.2 0.3 0.4\n", "front", front + " 0.2 0.3 0.4"},
		"words: back first":      {"first row is the back\n0.2 0.3 0.4\n-0.1 0.0 0.1", "", front},
		"words: front to back":   {"rows from front to back\n-0.1 0.0 0.1\n0.2 0.3 0.4", "", front},
		"words: edges":           {"BACK\n0.2 0.3 0.4\n-0.1 0.0 0.1\nFRONT", "", front},
		"words: beside rows":     {"-0.1 0.0 0.1 front\n0.2 0.3 0.4 back", "front", front},
		"points":                 {"10 10 -0.1\n20 10 0.0\n30 10 0.1\n30 60 0.4\n20 60 0.3\n10 60 0.2", "", front},
		"points, decimals":       {"x;y;z\n10,5;10;-0,1\n20,5;10;0,0\n30,5;10;0,1\n30,5;60;0,4\n20,5;60;0,3\n10,5;60;0,2", "", front},
		"points, height first":   {"z,x,y\n-0.1,10,10\n0.0,20,10\n0.1,30,10\n0.4,30,60\n0.3,20,60\n0.2,10,60", "", front},
		"points, one missing":    {"x,y,z\n10,10,-0.1\n30,10,0.1\n30,60,0.4\n20,60,0.3\n10,60,0.2", "", missing},
		"points, one n/a":        {"x,y,z\n10,10,-0.1\n20,10,n/a\n30,10,0.1\n30,60,0.4\n20,60,0.3\n10,60,0.2", "", missing},
		"points, one empty":      {"x,y,z\n10,10,-0.1\n20,10,\n30,10,0.1\n30,60,0.4\n20,60,0.3\n10,60,0.2", "", missing},
		"points, numbered":       {"n x y z\n1 10 10 -0.1\n2 20 10 0.0\n3 30 10 0.1\n4 30 60 0.4\n5 20 60 0.3\n6 10 60 0.2", "", front},
		"points, keys":           {"probe at X:10 Y:10 Z:-0.1\nprobe at X:20 Y:10 Z:0.0\nprobe at X:30 Y:10 Z:0.1\nprobe at X:30 Y:60 Z:0.4\nprobe at X:20 Y:60 Z:0.3\nprobe at X:10 Y:60 Z:0.2", "", front},
		"positions at the edges": {"       10   20   30\n60.0  0.2  0.3  0.4\n10.0 -0.1  0.0  0.1", "", front},
		"json rows":              {`{"a":{"grid":[[-0.1,0,0.1],[0.2,0.3,0.4]]}}`, "front", front},
		"json null and words":    {`{"first_row":"back","grid":[[0.2,0.3,0.4],["-0.1",null,0.1]]}`, "", missing},
		"json points":            {`[{"x":10,"y":10,"z":-0.1},{"x":20,"y":10,"z":0},{"x":30,"y":10,"z":0.1},{"x":10,"y":60,"z":0.2},{"x":20,"y":60,"z":0.3},{"x":30,"y":60,"z":0.4}]`, "", front},
		"json triples":           {`{"points":[[10,10,-0.1],[20,10,0],[30,10,0.1],[10,60,0.2],[20,60,0.3],[30,60,0.4]]}`, "", front},
		"json, falling y":        {`{"x_mm":[10,20,30],"y_mm":[60,10],"z":[[0.2,0.3,0.4],[-0.1,0,0.1]]}`, "", front},
		"json, own answer":       {`{"columns":3,"rows":2,"x_mm":null,"y_mm":null,"heights_mm":[-0.1,0,0.1,0.2,0.3,0.4],"first_row":"front"}`, "", front},
		"whole mm, said":         {"heights in mm\n-1 0 1\n2 3 4", "front", "-1 0 1 2 3 4"},
	} {
		t.Run(name, func(t *testing.T) {
			read, err := ReadMeshText(c.text)
			if err != nil {
				if c.want != "refused" {
					t.Error(err)
				}
				return
			}
			m, err := read.Place(c.first)
			if err != nil {
				t.Fatal(err)
			}
			if got := strings.Trim(fmt.Sprint(m.HeightsMM), "[]"); got != c.want {
				t.Errorf("read as %d × %d: %s, want %s", m.Columns, m.Rows, got, c.want)
			}
		})
	}
}

// TestTheLargestMesh is one of 200 by 200 points, which is taken whole.
func TestTheLargestMesh(t *testing.T) {
	m, err := ReadMeshText(strings.Repeat(strings.Repeat("0.1 ", MostMeshSide)+"\n", MostMeshSide))
	if err != nil || m.Columns != 200 || m.Rows != 200 || len(m.HeightsMM) != 40_000 {
		t.Errorf("200 by 200 points: got %d by %d, %d heights, %v", m.Columns, m.Rows, len(m.HeightsMM), err)
	}
}

func TestMeshRefusals(t *testing.T) {
	row := strings.Repeat("0.1 ", 201) + "\n"
	for name, c := range map[string]struct {
		text         string
		line         int
		column, says string
	}{
		"empty":              {" \n\t\n", 1, "", "a grid of heights"},
		"words":              {"no mesh here\n", 1, "", "a grid of heights"},
		"one number":         {"0.12\n", 1, "1", "at least 2 rows"},
		"one row":            {"mesh:\n0.1 0.2 0.3", 2, "1", "at least 2 rows"},
		"one column":         {"0.1\n0.2\n0.3", 1, "1", "at least 2"},
		"ragged, short":      {"0.1 0.2 0.3\n0.1 0.2\n0.1 0.2 0.3", 2, "8", "3, as many"},
		"ragged, long":       {"0.1 0.2 0.3\n0.1 0.2 0.3 0.4\n0.1 0.2 0.3", 2, "13", "3, as many"},
		"ragged, last":       {"0.1 0.2 0.3\n0.1 0.2 0.3\n0.1", 3, "4", "3, as many"},
		"ragged json":        {"[[0.1,0.2],\n[0.3]]", 2, "1", "2, as many"},
		"a letter":           {"0.1 0.2 0.3\n0.1 O.2 0.3\n0.1 0.2 0.3", 2, "5", "a row of 3"},
		"a letter first":     {"0.1 0.2 0.3\nO.1 0.2 0.3\n0.1 0.2 0.3", 2, "1", "a row of 3"},
		"infinity":           {"0.1 0.2\ninf 0.4", 2, "1", "-5 to 5"},
		"beyond a float":     {"0.1 0.2\n0.3 1e999", 2, "5", "-5 to 5"},
		"json infinity":      {"[[0.1, 0.2],\n[Infinity, 0.3]]", 2, "2", "-5 to 5"},
		"absurd":             {"0.1 0.2\n0.3 5.1", 2, "5", "-5 to 5"},
		"absurd, json":       {"[[0.1, 0.2],\n[0.3, -6]]", 2, "8", "-5 to 5"},
		"thousandths":        {"-112 -58 -21\n-70 -12 18", 1, "1", "-5 to 5"},
		"small thousandths":  {"-1 2 3\n3 4 2", 0, "", "no unit"},
		"microns":            {"heights in µm\n-0.1 0.2\n0.3 0.2", 1, "12", "no other unit"},
		"inches":             {"heights in inches\n-0.1 0.2\n0.3 0.2", 1, "11", "no other unit"},
		"too wide":           {row + row, 0, "", "at most 200"},
		"too high":           {strings.Repeat("0.1 0.2\n", MostMeshSide+1), 0, "", "at most 200"},
		"too long":           {"0.1 0.2\n0.3 0.4\n" + strings.Repeat(" ", MostMeshBytes), 0, "", "512 KiB"},
		"two grids":          {"0.1 0.2\n0.3 0.4\n\n0.1 0.2\n0.3 0.5", 4, "", "one grid"},
		"two grids, titles":  {"before\n0.1 0.2\n0.3 0.4\nafter\n0.1 0.2\n0.3 0.5", 5, "", "one grid"},
		"a row apart":        {"0.1 0.2\n0.3 0.4\nand\n0.3 0.5", 4, "1", "a row of 2"},
		"commas either way":  {"0,1,0,2\n0,3,0,4", 1, "", "decimals with a point"},
		"mixed separators":   {"0.1 0.2, 0.3\n0.1 0.2, 0.3", 1, "1", "one kind of separator"},
		"said both ways":     {"front row first, back row first\n0.1 0.2\n0.3 0.4", 1, "", "one order"},
		"all missing":        {"- - -\nn/a - -\n- - -", 0, "", "two heights"},
		"cut off":            {"[[0.1, 0.2],\n[0.3, 0.4],\n", 3, "", "closed"},
		"same point twice":   {"x,y,z\n10,10,0.1\n20,10,0.1\n10,20,0.2\n10,10,0.3", 5, "7", "one height for each place"},
		"points on no grid":  {"x,y,z\n10,10,0.1\n20,11,0.1\n13,20,0.2\n17,14,0.3\n19,33,0.2", 2, "", "on a grid"},
		"json, two grids":    {`{"a":[[0.1,0.2],[0.3,0.4]],"b":[[0.1,0.2],[0.3,0.4]]}`, 1, "32", "one grid"},
		"json without":       {`{"a":"b"}`, 1, "", "list of rows"},
		"json, deep":         {strings.Repeat("[", 40) + strings.Repeat("]", 40), 1, "18", "at most 16"},
		"json, a word":       {`[[0.1,0.2],["x",0.4]]`, 1, "15", "-5 to 5"},
		"not UTF-8":          {"0.1 0.2\n0.3 \xff", 2, "", "UTF-8"},
		"a key without z":    {"X:1 Y:1 Z:0.1\nX:2 Y:1 Z:0.1\nX:1 Y:2 Z:0.1\nX:2 Y:2 Z:0.1\nX:3 Y:1", 5, "", "x, y and z"},
		"nothing in between": {"0.1\t\t0.2\n0.3\t\t0.4", 1, "2", "nothing in column 2"},
	} {
		t.Run(name, func(t *testing.T) {
			m, err := ReadMeshText(c.text)
			if err == nil {
				t.Fatalf("read as %+v", m)
			}
			var refusal *fault.Error
			if !errors.As(err, &refusal) {
				t.Fatal(err)
			}
			if !strings.Contains(err.Error(), c.says) && !(c.says == "no unit" && strings.Contains(err.Error(), "no unit")) {
				t.Errorf("%v does not say %q", err, c.says)
			}
			if len(refusal.Problems) > 0 {
				if p := refusal.Problems[0]; p.Line != c.line || p.Column != c.column {
					t.Errorf("line %d, column %q, want %d, %q: %v", p.Line, p.Column, c.line, c.column, err)
				}
			}
		})
	}
}
