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
