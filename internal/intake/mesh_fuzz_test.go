package intake

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// FuzzMeshText: whatever comes in, no panic, and what is read as a grid is one:
// at least 2 × 2, as many heights as points, each within ±5 mm or missing, and
// written plainly it reads back the same.
func FuzzMeshText(f *testing.F) {
	files, err := filepath.Glob(filepath.Join("testdata", "meshes", "*"))
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(text))
	}
	for _, text := range []string{"[[0.1, NaN], [−0,2; 3]]", "X:1 Y:2 Z:-0.1\n", "{{0.1, 0.2}, {0.3, 0.4}}", "[ 12.3] 0.1 0.2", "0 1 2\n0 0.1 0.2", "|---|\n| 0.1 | |", `{"x":[1],"y":[2],"z":[[1]]}`} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		read, err := ReadMeshText(text)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("a refusal that says nothing")
			}
			return
		}
		m := mustBeGrid(t, read)
		again, err := ReadMeshText(plainMesh(&m))
		if err != nil {
			t.Fatalf("%q reads as %s, which is refused: %v", text, plainMesh(&m), err)
		}
		if back := mustBeGrid(t, again); fmt.Sprint(back.HeightsMM, back.Columns) != fmt.Sprint(m.HeightsMM, m.Columns) {
			t.Fatalf("%q reads as %v, then as %v", text, m, back)
		}
	})
}

func mustBeGrid(t *testing.T, read *MeshText) Mesh {
	t.Helper()
	first := ""
	if read.Says == "" {
		first = RowFront
	}
	m, err := read.Place(first)
	if err != nil {
		t.Fatal(err)
	}
	if m.Columns < 2 || m.Rows < 2 || m.Columns > MostMeshSide || m.Rows > MostMeshSide || len(m.HeightsMM) != m.Columns*m.Rows {
		t.Fatalf("%d × %d with %d heights", m.Columns, m.Rows, len(m.HeightsMM))
	}
	for _, z := range m.HeightsMM {
		if !math.IsNaN(z) && !(math.Abs(z) <= MostHeightMM) {
			t.Fatalf("height %v", z)
		}
	}
	if (m.FirstRow == RowCoordinates) != (m.XMM != nil) || m.XMM != nil && (len(m.XMM) != m.Columns || len(m.YMM) != m.Rows) {
		t.Fatalf("positions %v %v of %d × %d", m.XMM, m.YMM, m.Columns, m.Rows)
	}
	return m
}

func plainMesh(m *Mesh) string {
	var b strings.Builder
	b.WriteString("rows from front to back, in mm\n")
	for r := range m.Rows {
		for c := range m.Columns {
			z := m.HeightsMM[r*m.Columns+c]
			if math.IsNaN(z) {
				b.WriteString(" nan")
				continue
			}
			fmt.Fprintf(&b, " %s", mustDot(z))
		}
		b.WriteString("\n")
	}
	return b.String()
}

func mustDot(z float64) string {
	s := fmt.Sprintf("%v", z)
	if !strings.ContainsAny(s, ".e") {
		s += ".0"
	}
	return s
}

// FuzzMeshLayout writes a known grid in a layout drawn at random and spoils it
// or not: it must be read as that grid or refused, never as another one. A grid
// nobody spoiled must be read.
func FuzzMeshLayout(f *testing.F) {
	for seed := range uint64(200) {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, seed uint64) {
		r := rand.New(rand.NewPCG(seed, 4))
		columns, rows := 2+r.IntN(8), 2+r.IntN(8)
		heights := make([]float64, columns*rows)
		words := make([]string, len(heights))
		comma := r.IntN(3) == 0
		missing := []string{"n/a", "-", ".", "nan", "NaN"}[r.IntN(5)]
		sep := []string{" ", "  ", "\t", ", ", "; ", " | "}[r.IntN(6)]
		if comma && sep == ", " {
			sep = "; "
		}
		for i := range heights {
			heights[i] = math.Round(r.NormFloat64()*100) / 1000
			words[i] = fmt.Sprintf("%.3f", heights[i])
			if r.IntN(12) == 0 {
				heights[i], words[i] = math.NaN(), missing
				if !strings.Contains(" ", sep) && sep != "  " && r.IntN(2) == 0 && i%columns > 0 && (i+1)%columns > 0 {
					words[i] = ""
				}
			}
			if comma {
				words[i] = strings.Replace(words[i], ".", ",", 1)
				if words[i] == "," {
					words[i] = "nan"
				}
			}
			if r.IntN(2) == 0 {
				words[i] = strings.Replace(words[i], "-", "−", 1)
			}
		}
		known := 0
		for _, z := range heights {
			if !math.IsNaN(z) {
				known++
			}
		}
		border := [][2]string{{"", ""}, {"[", "]"}, {"{ ", " }"}, {"[", "],"}, {"| ", " |"}, {"", strings.TrimSpace(sep)}}[r.IntN(6)]
		if border[0] == "| " && sep != " | " {
			border = [2]string{}
		}
		if sep == " " || sep == "  " || sep == "\t" {
			if border[1] == "" || border[1] == "]," {
				border = [2]string{}
			}
		}
		prefix := []func(int) string{
			func(int) string { return "" },
			func(i int) string { return fmt.Sprintf("log 06:12:%02d | ", i) },
			func(i int) string { return fmt.Sprintf("2026-03-11T06:12:%02dZ mesh: ", i) },
			func(i int) string { return fmt.Sprintf("[%d.%03d] ", 1000+i, i) },
			func(i int) string { return fmt.Sprintf("R%d ", i+1) },
			func(i int) string { return fmt.Sprintf("%d: ", i) },
		}[r.IntN(6)]
		var lines []string
		for i := range rows {
			lines = append(lines, prefix(i)+border[0]+strings.Join(words[i*columns:(i+1)*columns], sep)+border[1])
		}
		spoiled := r.IntN(2) == 0
		at := r.IntN(rows)
		if spoiled {
			switch line := words[at*columns : (at+1)*columns]; r.IntN(5) {
			case 0: // a cell too few
				lines[at] = prefix(at) + border[0] + strings.Join(line[1:], sep) + border[1]
			case 1: // a cell too many
				lines[at] = prefix(at) + border[0] + strings.Join(append([]string{"0.5"}, line...), sep) + border[1]
			case 2: // a letter among the digits
				bad := append([]string{}, line...)
				bad[r.IntN(columns)] = "0.O7"
				lines[at] = prefix(at) + border[0] + strings.Join(bad, sep) + border[1]
			case 3:
				bad := append([]string{}, line...)
				bad[r.IntN(columns)] = []string{"inf", "12.5", "-9.1"}[r.IntN(3)]
				lines[at] = prefix(at) + border[0] + strings.Join(bad, sep) + border[1]
			case 4: // a second grid
				lines = append(append(append([]string{}, lines...), []string{"", "again:", "----"}[r.IntN(3)]), lines...)
			}
		}
		text := strings.Join(lines, "\n")
		read, err := ReadMeshText(text)
		if err != nil {
			if !spoiled && known >= 2 {
				t.Fatalf("%v\n%s", err, text)
			}
			return
		}
		if spoiled {
			t.Fatalf("a spoiled grid was read as %d × %d %v\n%s", read.Columns, read.Rows, read.HeightsMM, text)
		}
		if read.Columns != columns || read.Rows != rows || fmt.Sprint(read.HeightsMM) != fmt.Sprint(heights) {
			t.Fatalf("read %d × %d %v, want %d × %d %v\n%s", read.Columns, read.Rows, read.HeightsMM, columns, rows, heights, text)
		}
	})
}
