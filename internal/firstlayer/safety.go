package firstlayer

import (
	"strings"

	"basecourse/internal/farm"
)

// Hazard is what can hurt while an advice is followed.
type Hazard string

// The hazards.
const (
	Solvent Hazard = "solvent"
	Hot     Hazard = "hot"
	Motion  Hazard = "motion"
)

// defers ends every line of caution, also where a farm wrote its own.
const defers = " Local rules and the maker’s instructions come first."

// SafetySettings are the settings that hold a farm's own cautions.
var SafetySettings = map[Hazard]string{Solvent: "safety_solvent", Hot: "safety_hot", Motion: "safety_motion"}

// hazards of the actions.
var hazards = map[Action][]Hazard{
	Nudge: {Motion}, Stop: {Hot}, SwapPlate: {Hot}, Wipe: {Solvent, Hot}, Wash: {Hot}, Coat: {Hot}, Soak: {Hot}, Probe: {Motion, Hot}, Tram: {Hot, Motion}, MoveNozzle: {Motion},
	CheckFeed: {Hot}, DryFilament: {Hot}, TurnPlate: {Hot}, SetPlateAside: {Hot}, Investigate: {Hot},
}

// caution is the safety line of an action; "" where nothing can hurt.
func (fm *Farm) caution(a Action) string { return fm.Caution(hazards[a]...) }

// Caution is what the farm, or the standard text, says of hazards, one after the
// other; it ends with whose word comes first.
func (fm *Farm) Caution(of ...Hazard) string {
	var out []string
	for _, h := range of {
		text := fm.Safety[h]
		if text == "" {
			rule, _ := farm.SettingRuleOf(SafetySettings[h])
			text = rule.Default
		}
		out = append(out, strings.TrimSuffix(text, defers))
	}
	if len(out) == 0 {
		return ""
	}
	return strings.Join(out, " ") + defers
}
