package main

import (
	"strings"
	"testing"
)

const sampleRisk = `{"as_of":"2026-03-02T06:00:00Z","items":[
{"printer":"P-1","plate":"L-1","material":"PETG","p_now":0.0612,"p_now_low":0.04,"p_now_high":0.09,"p_after_cleaning":0.05,"p_after_cleaning_low":0.03,"p_after_cleaning_high":0.08,"p_after_probing":0.03,"p_after_probing_low":0.02,"p_after_probing_high":0.05,"p_after_both":0.025,"p_after_both_low":0.015,"p_after_both_high":0.04},
{"printer":"P-2","plate":null,"material":null,"p_now":0.05,"p_now_low":0.01,"p_now_high":0.2,"p_after_cleaning":0.05,"p_after_cleaning_low":0.01,"p_after_cleaning_high":0.2,"p_after_probing":0.05,"p_after_probing_low":0.01,"p_after_probing_high":0.2,"p_after_both":0.05,"p_after_both_low":0.01,"p_after_both_high":0.2}
]}
`

func TestRisksAsCSVSayTheSameAsTheAnswer(t *testing.T) {
	var b strings.Builder
	if err := listCSV("items", riskFields)(&b, []byte(sampleRisk)); err != nil {
		t.Fatal(err)
	}
	want := strings.Join(riskFields, ",") + "\r\n" +
		"P-1,L-1,PETG,0.0612,0.04,0.09,0.05,0.03,0.08,0.03,0.02,0.05,0.025,0.015,0.04\r\n" +
		"P-2,,,0.05,0.01,0.2,0.05,0.01,0.2,0.05,0.01,0.2,0.05,0.01,0.2\r\n"
	if b.String() != want {
		t.Errorf("CSV:\n%s\nwant:\n%s", b.String(), want)
	}
}

func TestRisksAsTextAreFailuresInAHundred(t *testing.T) {
	for _, c := range []struct{ answer, want string }{
		{sampleRisk, `As of 2026-03-02T06:00:00Z. Chance that the next first layer fails, of 100 (95 % interval).

Printer  Plate      Material   As things are      After cleaning     After probing      After both
P-1      L-1        PETG       6.1 (4.0 to 9.0)   5.0 (3.0 to 8.0)   3.0 (2.0 to 5.0)   2.5 (1.5 to 4.0)
P-2      no record  no record  5.0 (1.0 to 20.0)  5.0 (1.0 to 20.0)  5.0 (1.0 to 20.0)  5.0 (1.0 to 20.0)
`},
		{`{"as_of":"2026-03-02T06:00:00Z","items":[]}`, `As of 2026-03-02T06:00:00Z. Chance that the next first layer fails, of 100 (95 % interval).

No printer in service has a first layer in the window.
`},
	} {
		var b strings.Builder
		if err := riskText(&b, []byte(c.answer)); err != nil {
			t.Fatal(err)
		}
		if b.String() != c.want {
			t.Errorf("text:\n%s\nwant:\n%s", b.String(), c.want)
		}
	}
}
