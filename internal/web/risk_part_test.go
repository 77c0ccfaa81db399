package web

import (
	"strings"
	"testing"
	"time"
)

func TestRiskIsSaidInWords(t *testing.T) {
	for _, c := range []struct {
		risk Risk
		want string
	}{
		{Risk{Plate: "L-203", Material: "PETG", Now: Chance{0.062, 0.04, 0.091}, Cleaned: Chance{P: 0.06}, Probed: Chance{P: 0.031}, Both: Chance{P: 0.03}},
			"With PETG on L-203, the chance that the next layer fails is about 6.2 in 100 (likely 4.0 to 9.1); after probing about 3.1 in 100."},
		{Risk{Material: "ASA", Now: Chance{0.2, 0.12, 0.31}, Cleaned: Chance{P: 0.15}, Probed: Chance{P: 0.14}, Both: Chance{P: 0.09}},
			"With ASA, the chance that the next layer fails is about 20 in 100 (likely 12 to 31); after cleaning about 15 in 100, after probing about 14 in 100, after both about 9.0."},
		{Risk{Now: Chance{0.0995, 0.0004, 0.995}, Cleaned: Chance{P: 0.0995}, Probed: Chance{P: 0.0995}, Both: Chance{P: 0.0995}},
			"The chance that the next layer fails is about 10 in 100 (likely under 0.1 to over 99). Neither cleaning nor probing would change that much."},
	} {
		if got := c.risk.sentence(); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

func TestRiskPartTellsEveryMaterialAndLeadsWithTheLast(t *testing.T) {
	found := &FindingList{AsOf: time.Date(2026, 3, 9, 14, 0, 0, 0, time.UTC), Risks: map[string][]Risk{"P-1": {
		{Material: "ABS", Now: Chance{0.08, 0.05, 0.12}}, {Material: "PETG", Last: true, Now: Chance{0.05, 0.03, 0.08}}}}}
	lead, table := riskPart("P-1", found, time.UTC)
	if !strings.HasPrefix(lead, "With PETG, ") || len(table.Rows) != 2 || table.Rows[0].Strong || !table.Rows[1].Strong || table.Rows[0].Cells[1].Text != "8.0 (5.0 to 12)" {
		t.Errorf("got %q and %+v", lead, table.Rows)
	}
	if lead, _ := riskPart("P-2", found, time.UTC); lead != "" {
		t.Errorf("nothing is known of P-2, got %q", lead)
	}
}
