package farm

import (
	"slices"
	"strings"
	"unicode"
)

// TextRules are settings with a page of their own: which polymers over-bond on
// which surfaces, and the cautions shown with an advice. They stand in the same
// table and the same file as the others.
//
// Cautions: vapour of isopropyl alcohol and acetone burns at room temperature and
// below (ICSC 0554; GHS P210); hot surfaces for 5 to 15 minutes after switching
// off and sudden motion at homing and probing (makers' usual warnings, common
// practice); 40 °C before touching (ISO 13732-1 lies above, from memory).
// Over-bonding: common practice, no source.
var TextRules = []SettingRule{
	{"over_bonding", "PETG:pei_smooth PETG:glass TPU:pei_smooth TPU:glass PC:pei_smooth PC:glass",
		"pairs POLYMER:surface by blanks, each once, such as PETG:glass; or none", validOverBonding},
	caution("safety_solvent", "Solvent vapour burns: never on a hot bed or in a closed chamber. Clean at a ventilated bench away from hot parts; used wipes go into a closed metal bin."),
	caution("safety_hot", "Bed, plate and nozzle stay hot 5 to 15 minutes after switching off. Let the bed fall below 40 °C before you reach in; plates come off hot, scrapers cut."),
	caution("safety_motion", "Hands clear, then start it: head and bed move suddenly. Hair and sleeves out."),
}

// MostCaution is the longest caution, in characters; MostOverBonding the most
// pairs in the table.
const (
	MostCaution     = 400
	MostOverBonding = 200
)

func caution(key, standard string) SettingRule {
	return SettingRule{key, standard, "a sentence or two of 10 to 400 characters on one line", func(v string) bool {
		n := len([]rune(v))
		return n >= 10 && n <= MostCaution && strings.TrimSpace(v) == v && !strings.ContainsFunc(v, unicode.IsControl)
	}}
}

// OverBondPair is one line of the over-bonding table.
type OverBondPair struct{ Polymer, Surface string }

// ParseOverBonding reads the setting over_bonding; "none" is an empty table.
func ParseOverBonding(text string) (pairs []OverBondPair, ok bool) {
	if text == "none" {
		return nil, true
	}
	for _, word := range strings.Split(text, " ") {
		polymer, surface, found := strings.Cut(word, ":")
		p := OverBondPair{polymer, surface}
		if !found || polymer == "" || len(polymer) > 16 || strings.Trim(polymer, "ABCDEFGHIJKLMNOPQRSTUVWXYZ") != "" ||
			!slices.Contains(Surfaces, surface) || slices.Contains(pairs, p) || len(pairs) == MostOverBonding {
			return nil, false
		}
		pairs = append(pairs, p)
	}
	return pairs, true
}

// OverBondingText is the setting of a table.
func OverBondingText(pairs []OverBondPair) string {
	words := make([]string, len(pairs))
	for i, p := range pairs {
		words[i] = p.Polymer + ":" + p.Surface
	}
	return orNone(strings.Join(words, " "))
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func validOverBonding(v string) bool {
	_, ok := ParseOverBonding(v)
	return ok
}
