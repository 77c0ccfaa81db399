package intake

import (
	"encoding/csv"
	"strings"
)

// Cells splits one line of a bundle as it stood, for showing it to people; a
// line that is no CSV comes back whole.
func Cells(raw string) []string {
	raw = strings.TrimPrefix(strings.TrimRight(raw, "\r\n"), "\ufeff")
	r := csv.NewReader(strings.NewReader(raw))
	r.FieldsPerRecord, r.LazyQuotes = -1, true
	cells, err := r.Read()
	if err != nil {
		return []string{raw}
	}
	return cells
}

// SpreadsheetCell puts ' before what a spreadsheet would run; the bundle, which
// is data, gets none.
func SpreadsheetCell(cell string) string {
	if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
		return "'" + cell
	}
	return cell
}
