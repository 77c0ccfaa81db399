package simfarm

// causeCodes names the causes for checks of a diagnosis.
var causeCodes = [causes]string{causeHeight: "height", causeTip: "tip", causeOil: "oil", causeOverBond: "over_bond", causeNothing: "nothing", causeRough: "rough", causeWorn: "worn",
	causeMaterial: "material", causeDebris: "debris", causeCold: "cold", causeBurst: "burst", causePlateBurst: "plate_burst", causeNear: "near"}

// Hidden is what nobody on the farm saw of a start.
type Hidden struct {
	Cause string // what decided about its layer; "" nothing
	// Spoiled tells that the layer does not hold, whatever its grader said.
	Spoiled bool
	// Showed tells whether a mark this cause leaves was painted.
	Showed bool
	// AimMM is the gap aimed at, HeightMM how far the gap was above it at the
	// bed's centre, TiltXMM and TiltYMM how much further right and at the back,
	// at the outer zones.
	AimMM, HeightMM, TiltXMM, TiltYMM float64
	ByPlateMM                         float64 // of HeightMM: what the plate's thickness makes
}

// Hidden tells of start n, in the order of the bundle's first layers.
func (f *Farm) Hidden(n int) Hidden {
	s := &f.starts[n]
	h := Hidden{Spoiled: s.spoiled, AimMM: f.band.aim, HeightMM: float64(s.height), TiltXMM: float64(s.tiltX), TiltYMM: float64(s.tiltY), ByPlateMM: float64(s.byPlate)}
	if s.cause == noCause {
		return h
	}
	h.Cause = causeCodes[s.cause]
	seen := f.marks(s)
	own := signs[s.cause]
	if s.cause == causeHeight {
		own = []likely{{mark: nozzleLow}, {mark: nozzleHigh}}
	}
	for _, l := range own {
		h.Showed = h.Showed || seen[l.mark] != [zones]uint8{}
	}
	return h
}
