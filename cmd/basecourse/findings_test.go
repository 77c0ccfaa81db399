package main

import (
	"strings"
	"testing"
)

const sampleAnswer = `{"as_of":"2026-03-02T06:00:00Z","known_at":null,"window":{"from":"2025-12-08T05:00:00Z","to":"2026-03-02T05:00:00Z"},
"first_layers":1000,"graded":850,"failures":51,"false_discovery_rate":0.05,"gap_split":9,"findings":[
{"subject_kind":"printer","subject":"P-1, \"old\"","cause":"skipped_probing","state":"raised","case":"suspected","starts":100,"graded":90,"n":88,"failures":12,"n_exposed":30,"failures_exposed":9,"odds_ratio":4.1,"odds_ratio_low":1.9,"odds_ratio_high":8.25,"p_value":0.0001,"q_value":0.01,"avoidable_per_100":5.5,"avoidable_low":2,"avoidable_high":9,"reverse":false,"needs":null,"summary":"P-1 fails when probing is skipped."},
{"subject_kind":"printer","subject":"P-1, \"old\"","cause":"cleaning_gap","state":"too_little_data","case":null,"starts":100,"graded":90,"n":88,"failures":12,"n_exposed":30,"failures_exposed":9,"odds_ratio":null,"odds_ratio_low":null,"odds_ratio_high":null,"p_value":null,"q_value":null,"avoidable_per_100":null,"avoidable_low":null,"avoidable_high":null,"reverse":false,"needs":200,"summary":"Too few to say."},
{"subject_kind":"plate","subject":"L-1","cause":"cleaning_gap","state":"quiet","case":null,"starts":100,"graded":90,"n":88,"failures":12,"n_exposed":30,"failures_exposed":9,"odds_ratio":1,"odds_ratio_low":0.5,"odds_ratio_high":2,"p_value":0.99,"q_value":1,"avoidable_per_100":0,"avoidable_low":0,"avoidable_high":1,"reverse":true,"needs":null,"summary":"Fails with fresh cleaning: look at rinse, cloth and release layer."}]}
`

func TestFindingsAsCSVSayTheSameAsTheAnswer(t *testing.T) {
	var b strings.Builder
	if err := listCSV("findings", findingFields)(&b, []byte(sampleAnswer)); err != nil {
		t.Fatal(err)
	}
	want := strings.Join(findingFields, ",") + "\r\n" +
		`printer,"P-1, ""old""",skipped_probing,raised,suspected,100,90,88,12,30,9,4.1,1.9,8.25,0.0001,0.01,5.5,2,9,false,,P-1 fails when probing is skipped.` + "\r\n" +
		`printer,"P-1, ""old""",cleaning_gap,too_little_data,,100,90,88,12,30,9,,,,,,,,,false,200,Too few to say.` + "\r\n" +
		`plate,L-1,cleaning_gap,quiet,,100,90,88,12,30,9,1,0.5,2,0.99,1,0,0,1,true,,"Fails with fresh cleaning: look at rinse, cloth and release layer."` + "\r\n"
	if b.String() != want {
		t.Errorf("CSV:\n%s\nwant:\n%s", b.String(), want)
	}
}

func TestFindingsAsTextStartWithWhatIsRaised(t *testing.T) {
	var b strings.Builder
	if err := findingsText(&b, []byte(sampleAnswer)); err != nil {
		t.Fatal(err)
	}
	want := `As of 2026-03-02T06:00:00Z. First layers from 2025-12-08T05:00:00Z to 2026-03-02T05:00:00Z: 1000 started, 850 graded (85.0 %), 51 failures (6.0 % of graded).

Raised: 1
  P-1 fails when probing is skipped.

Points the other way: 1
  Fails with fresh cleaning: look at rinse, cloth and release layer.

Watching: 0

Quiet: 0
Too little data: 1
`
	if b.String() != want {
		t.Errorf("text:\n%s\nwant:\n%s", b.String(), want)
	}
}
