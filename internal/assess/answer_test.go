package assess_test

import (
	"bytes"
	"encoding/json"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"basecourse/internal/assess"
)

var (
	topKeys     = []string{"as_of", "known_at", "window", "first_layers", "graded", "failures", "false_discovery_rate", "gap_split", "findings"}
	findingKeys = []string{"subject_kind", "subject", "cause", "state", "case", "starts", "graded", "n", "failures", "n_exposed", "failures_exposed",
		"odds_ratio", "odds_ratio_low", "odds_ratio_high", "p_value", "q_value", "avoidable_per_100", "avoidable_low", "avoidable_high", "reverse", "needs", "summary"}
	estimates = findingKeys[11:19]
	sixDigits = regexp.MustCompile(`^-?[0-9.]+(e[-+][0-9]+)?$`)
)

// keysOf gives the keys of a JSON object in the order they stand in.
func keysOf(t *testing.T, raw []byte) (keys []string, values map[string]json.RawMessage) {
	t.Helper()
	if err := json.Unmarshal(raw, &values); err != nil {
		t.Fatalf("%v in %s", err, raw)
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	if _, err := d.Token(); err != nil {
		t.Fatal(err)
	}
	for d.More() {
		key, err := d.Token()
		if err != nil {
			t.Fatal(err)
		}
		keys = append(keys, key.(string))
		var skip json.RawMessage
		if err := d.Decode(&skip); err != nil {
			t.Fatal(err)
		}
	}
	return keys, values
}

// checkAnswer holds an answer against the form of data-contract.md section 4.
func checkAnswer(t *testing.T, answer []byte) {
	t.Helper()
	keys, top := keysOf(t, answer)
	if !slices.Equal(keys, topKeys) {
		t.Errorf("keys: got %v, want %v", keys, topKeys)
	}
	var list []json.RawMessage
	if err := json.Unmarshal(top["findings"], &list); err != nil {
		t.Fatal(err)
	}
	last := ""
	for _, raw := range list {
		keys, f := keysOf(t, raw)
		if !slices.Equal(keys, findingKeys) {
			t.Fatalf("keys of a finding: got %v, want %v", keys, findingKeys)
		}
		text := func(key string) (s string) { _ = json.Unmarshal(f[key], &s); return s }
		null := func(key string) bool { return string(f[key]) == "null" }
		name := text("subject_kind") + " " + text("subject") + " " + text("cause")
		// printer before plate, skipped_probing before cleaning_gap.
		order := map[string]string{"printer": "1", "plate": "2"}[text("subject_kind")] + text("subject") + "\x00" + map[string]string{"skipped_probing": "1", "cleaning_gap": "2"}[text("cause")]
		if order <= last {
			t.Errorf("%s is out of order", name)
		}
		last = order
		little := text("state") == "too_little_data"
		for _, key := range estimates {
			if null(key) != little {
				t.Errorf("%s: %s is %s with state %s", name, key, f[key], text("state"))
			}
			if x := string(f[key]); x != "null" {
				digits := strings.TrimLeft(strings.NewReplacer(".", "", "-", "").Replace(strings.Split(x, "e")[0]), "0")
				if !sixDigits.MatchString(x) || len(digits) > 6 {
					t.Errorf("%s: %s is %s, want six significant digits", name, key, x)
				}
			}
		}
		if null("needs") == little {
			t.Errorf("%s: needs is %s with state %s", name, f["needs"], text("state"))
		}
		// What somebody decided of a case stands, whatever the evidence says since.
		if null("case") && text("state") == "raised" || !null("case") && !slices.Contains([]string{"suspected", "on_test", "upheld", "not_upheld", "closed"}, text("case")) {
			t.Errorf("%s: case is %s with state %s", name, f["case"], text("state"))
		}
		if text("state") == "raised" && string(f["reverse"]) == "true" {
			t.Errorf("%s is raised and reverse", name)
		}
		if s := text("summary"); utf8.RuneCountInString(s) > 200 || !strings.HasPrefix(s, text("subject")+": ") || !strings.HasSuffix(s, ".") || strings.Contains(s, "NaN") {
			t.Errorf("%s: summary %q", name, s)
		}
	}
}

func TestTheAnswersFormIsTheContracts(t *testing.T) {
	s := open(t)
	importFolder(t, s, sampleDir)
	answer := ask(t, assess.New(s), assess.AsOf{At: time.Date(2026, 5, 1, 8, 0, 0, 0, time.FixedZone("", 7200))}).JSON()
	checkAnswer(t, answer)
	if want := `{"as_of":"2026-05-01T06:00:00Z","known_at":null,"window":{"from":"2026-01-12T05:58:24Z","to":"2026-04-06T05:58:24Z"},`; !bytes.HasPrefix(answer, []byte(want)) {
		t.Errorf("got %.200s, want it to begin with %s", answer, want)
	}
}
