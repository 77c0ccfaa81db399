package firstlayer

import "strings"

// Hazard is what can hurt while an advice is followed.
type Hazard string

// The hazards.
const (
	Solvent Hazard = "solvent"
	Hot     Hazard = "hot"
	Motion  Hazard = "motion"
)

const defers = " Local rules and the maker’s instructions come first."

// DefaultSafety are the cautions shown with an advice; a farm may put its own in
// their place (Farm.Safety). Sources: vapour of isopropyl alcohol and acetone burns
// at room temperature and below (ICSC 0554; GHS P210); hot surfaces for 5 to 15
// minutes after switching off and sudden motion at homing and probing (makers'
// usual warnings, common practice); 40 °C before touching (ISO 13732-1 lies above,
// from memory).
func DefaultSafety() map[Hazard]string {
	return map[Hazard]string{
		Solvent: "Solvent vapour burns: never on a hot bed or in a closed chamber. Clean at a ventilated bench away from hot parts." + defers,
		Hot:     "Bed, plate and nozzle stay hot 5 to 15 minutes after switching off. Let the bed fall below 40 °C before you reach in." + defers,
		Motion:  "Hands clear, then start it: head and bed move suddenly." + defers,
	}
}

// hazards of the actions.
var hazards = map[Action][]Hazard{
	Nudge: {Motion}, Stop: {Hot}, SwapPlate: {Hot}, Wipe: {Solvent, Hot}, Wash: {Hot}, Coat: {Hot}, Soak: {Hot}, Probe: {Motion, Hot}, Tram: {Hot, Motion}, MoveNozzle: {Motion},
	CheckFeed: {Hot}, DryFilament: {Hot}, TurnPlate: {Hot}, SetPlateAside: {Hot}, Investigate: {Hot},
}

// caution is the safety line of an action; "" where nothing can hurt.
func (fm *Farm) caution(a Action) string {
	var out []string
	standard := DefaultSafety()
	for _, h := range hazards[a] {
		text := fm.Safety[h]
		if text == "" {
			text = standard[h]
		}
		out = append(out, text)
	}
	if len(out) > 1 { // defer once, at the end
		for i := range out[:len(out)-1] {
			out[i] = strings.TrimSuffix(out[i], defers)
		}
	}
	return strings.Join(out, " ")
}
