package farm

import (
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// Published values of the pure systems of ISO/IEC 7064: the procedure is the
// standard's, only modulus, radix and alphabet are ours.
func TestTheProcedureGivesThePublishedCheckCharacters(t *testing.T) {
	const all = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*"
	for _, x := range []struct {
		source         string
		modulus, radix int
		text, want     string
	}{
		{"ISO/IEC 7064:2003, example of MOD 11-2 (from memory)", 11, 2, "0794", "0"},
		{"ORCID, structure of the identifier, MOD 11-2: 0000-0002-1825-0097", 11, 2, "000000021825009", "7"},
		{"ORCID, structure of the identifier, MOD 11-2: 0000-0001-5109-3700", 11, 2, "000000015109370", "0"},
		{"ISBT 128 Standard Technical Specification, MOD 37-2: G1234 98 654321 (from memory)", 37, 2, "G123498654321", "H"},
	} {
		var values []int
		for _, r := range x.text {
			values = append(values, strings.IndexRune(all, r))
		}
		if got := all[pureCheck(x.modulus, x.radix, values)]; string(got) != x.want {
			t.Errorf("%s: got %c, want %s", x.source, got, x.want)
		}
	}
}

func TestCheckLetters(t *testing.T) {
	for tag, want := range map[string]string{"L-203": "K", "l203": "K", "L 203": "K", "": "", "–": ""} {
		if got := CheckLetter(tag); got != want {
			t.Errorf("%q: got %q, want %q", tag, got, want)
		}
	}
	for tag, want := range map[string]string{"L-203": "L203K", "L-003": "L3" + CheckLetter("L-003"), "l 10": "L10" + CheckLetter("L10"), "P-014": "P14" + CheckLetter("P014"),
		"L-0": "L0" + CheckLetter("L0"), "A1-002": "A12" + CheckLetter("A1002"), "Ä-1": LabelTag("Ä-1"), "1.5": LabelTag("1.5")} {
		if got := ShortTag(tag); got != want {
			t.Errorf("%q: got %q, want %q", tag, got, want)
		}
	}
	if LabelTag("L-203") != "L-203.K" || LabelTag("–") != "–" {
		t.Error("a tag on its label")
	}
}

const tagLetters, tagDigits = checkLetters, "0123456789"

// Every tag of up to eight characters drawn; of each all single errors and all
// swaps, not some.
func TestEverySlipIsCaught(t *testing.T) {
	slips := 0
	rapid.Check(t, func(t *rapid.T) {
		tag := []byte(rapid.StringMatching(`[`+tagLetters+`0-9]{1,8}`).Draw(t, "tag"))
		want := CheckLetter(string(tag))
		if want == "" || strings.Contains("IOQ", want) {
			t.Fatalf("%s: letter %q", tag, want)
		}
		for i := range tag {
			for _, c := range []byte(tagLetters + tagDigits) {
				if wrong := append([]byte(nil), tag...); checkValue(rune(c)) != checkValue(rune(tag[i])) {
					wrong[i] = c
					slips++
					if CheckLetter(string(wrong)) == want {
						t.Fatalf("%s for %s is not caught", wrong, tag)
					}
				}
			}
			if i > 0 && checkValue(rune(tag[i])) != checkValue(rune(tag[i-1])) {
				wrong := append([]byte(nil), tag...)
				wrong[i], wrong[i-1] = wrong[i-1], wrong[i]
				slips++
				if CheckLetter(string(wrong)) == want {
					t.Fatalf("%s for %s is not caught", wrong, tag)
				}
			}
		}
	})
	t.Logf("%d slips, all caught", slips)
}

// What one letter of 23 cannot tell: a digit and one letter each, none of which
// looks like it.
func TestWhatTheLetterCannotTell(t *testing.T) {
	var pairs []string
	for _, d := range tagDigits {
		for _, l := range tagLetters {
			if checkValue(d) == checkValue(l) {
				pairs = append(pairs, string([]rune{d, l}))
			}
		}
	}
	// Within a kind every value is there once.
	for _, kind := range []string{tagLetters, tagDigits} {
		seen := map[int]bool{}
		for _, r := range kind {
			seen[checkValue(r)] = true
		}
		if len(seen) != len(kind) {
			t.Errorf("%s: %d values", kind, len(seen))
		}
	}
	if got := strings.Join(pairs, " "); got != "0N 1P 2R 3S 4T 5U 6V 7W 8X 9Y" {
		t.Errorf("got %s", got)
	}
	for _, alike := range []string{"0D", "1L", "2Z", "4A", "5S", "6G", "7T", "8B", "9G"} {
		if checkValue(rune(alike[0])) == checkValue(rune(alike[1])) {
			t.Errorf("%s look alike and are not told apart", alike)
		}
	}
}
