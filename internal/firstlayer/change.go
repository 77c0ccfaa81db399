package firstlayer

// changes is the cheapest next check that would change the advice, by cause
// (common practice, no source).
var changes = map[Cause]string{
	NozzleLow: "A single line measured in each zone, or a patch weighed: heavy means too much feed.", NozzleHigh: "A single line measured in each zone, or a patch weighed: light means too little feed.",
	BedShape: "A fresh probe: if the pattern stays, the bed leans or the plate is bent.", Tilt: "The plate turned by 180°: a lean that turns with it is the plate’s.",
	PlateHeight: "The plate on a third printer.", DirtyPlate: "A washed plate: if it still does not grip, it is height or temperature. Bubbles in free air mean a wet spool.",
	PlateDamage: "The plate turned by 180°: what is the plate’s moves with it.", OverBonding: "The same material on a coated plate.",
	FeedLow: "A patch weighed: right mass means height.", FeedHigh: "A patch weighed: right mass means a low nozzle.", NoStart: "A line extruded in free air.",
	Moisture: "The free-air test: no bubbles there means grip or height.", Striping: "The same print at another speed.", BedTemperature: "A washed plate: if corners still lift, it is cold or draught.",
	LocalSpot: "The plate turned by 180°: a spot that stays is under it.", None: "A mark in the next layer.",
}

func (p *plan) change() string {
	if p.a.Causes[0].Cause == CannotTell {
		if len(p.f.marks) == 0 {
			return "Marks by zone."
		}
		if p.f.grip() {
			return "A washed plate tells dirt from height; bubbles in free air mean a wet spool."
		}
	}
	return changes[p.cause]
}
