package printable

// glyphs are block letters and digits, rows from the top. Even columns and rows
// are strokes one line wide, odd ones the room between, so that a print lays
// every stroke as a single line. B and D are small: large they would read as 8
// and 0.
var glyphs = map[byte][5]string{
	'A': {"###", "#.#", "###", "#.#", "#.#"},
	'B': {"#..", "#..", "###", "#.#", "###"},
	'C': {"###", "#..", "#..", "#..", "###"},
	'D': {"..#", "..#", "###", "#.#", "###"},
	'E': {"###", "#..", "###", "#..", "###"},
	'F': {"###", "#..", "###", "#..", "#.."},
	'G': {"###", "#..", "#.#", "#.#", "###"},
	'H': {"#.#", "#.#", "###", "#.#", "#.#"},
	'I': {"#####", "..#..", "..#..", "..#..", "#####"},
	'1': {".##..", "..#..", "..#..", "..#..", "..#.."},
	'2': {"###", "..#", "###", "#..", "###"},
	'3': {"###", "..#", "###", "..#", "###"},
	'4': {"#.#", "#.#", "###", "..#", "..#"},
	'5': {"###", "#..", "###", "..#", "###"},
	'6': {"###", "#..", "###", "#.#", "###"},
	'7': {"###", "..#", "..#", "..#", "..#"},
	'8': {"###", "#.#", "###", "#.#", "###"},
	'9': {"###", "#.#", "###", "..#", "###"},
}

// leastGlyph is the smallest width and height in strokes: the rooms between are
// then as wide as the strokes, or nearly so in glyphs of five columns.
const leastGlyphWide, leastGlyphHigh = 4, 5

// glyph places a letter or digit with its lower left corner at x, y.
func glyph(letter byte, x, y, width, height, stroke float64) cells {
	rows := glyphs[letter]
	n := len(rows[0])
	lines := func(from, size float64, n int) []float64 {
		strokes := float64(n/2 + 1)
		room := (size - strokes*stroke) / float64(n/2)
		at := []float64{from}
		for i := range n {
			step := stroke
			if i%2 == 1 {
				step = room
			}
			at = append(at, at[i]+step)
		}
		return at
	}
	return cells{lines(x, width, n), lines(y, height, 5), func(col, row int) bool { return rows[4-row][col] == '#' }}
}
