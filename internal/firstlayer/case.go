package firstlayer

import (
	"math"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
)

// Cause is what may be behind a first layer.
type Cause string

// The causes.
const (
	NozzleLow      Cause = "nozzle_low"
	NozzleHigh     Cause = "nozzle_high"
	BedShape       Cause = "bed_shape"    // the bed is not what the printer believes
	Tilt           Cause = "tilt"         // it leans
	PlateHeight    Cause = "plate_height" // the plate's thickness or bend
	DirtyPlate     Cause = "dirty_plate"
	PlateDamage    Cause = "plate_damage"
	OverBonding    Cause = "over_bonding"
	FeedLow        Cause = "feed_low"
	FeedHigh       Cause = "feed_high"
	NoStart        Cause = "no_start"
	Moisture       Cause = "moisture"
	Striping       Cause = "striping"
	BedTemperature Cause = "bed_temperature"
	LocalSpot      Cause = "local_spot"
	None           Cause = "none"
	CannotTell     Cause = "cannot_tell"
)

// Causes lists them in the order used for ties.
var Causes = []Cause{NozzleLow, NozzleHigh, BedShape, Tilt, PlateHeight, DirtyPlate, PlateDamage, OverBonding, FeedLow, FeedHigh, NoStart, Moisture, Striping, BedTemperature, LocalSpot, None, CannotTell}

// Action is one thing to do.
type Action string

// The actions: the first three are about the layer that prints now.
const (
	LetRun        Action = "let_run"
	Nudge         Action = "nudge"
	Stop          Action = "stop"
	Leave         Action = "leave"
	SwapPlate     Action = "swap_plate"
	Wipe          Action = "wipe"
	Wash          Action = "wash"
	Coat          Action = "coat"
	Soak          Action = "soak"
	Probe         Action = "probe"
	Tram          Action = "tram"
	MoveNozzle    Action = "move_nozzle"
	CheckFeed     Action = "check_feed"
	DryFilament   Action = "dry_filament"
	TurnPlate     Action = "turn_plate"
	SetPlateAside Action = "set_plate_aside"
	Investigate   Action = "investigate"
	PrintCoupon   Action = "print_coupon"
)

// Actions lists them.
var Actions = []Action{LetRun, Nudge, Stop, Leave, SwapPlate, Wipe, Wash, Coat, Soak, Probe, Tram, MoveNozzle, CheckFeed, DryFilament, TurnPlate, SetPlateAside, Investigate, PrintCoupon}

// Case is one first layer and what is known around it. Zones are as seen from the
// front and above.
type Case struct {
	Layer              farm.FirstLayer
	BedXMM, BedYMM     float64 // NaN: not known; then no tilt is told in mm/m
	ZoneCols, ZoneRows int     // 0: 3
	ZStepMM            float64 // NaN: 0.01
	Running            bool
	Context            Context
	Farm               Farm
}

// Context is what the layer was started under and what came before it.
type Context struct {
	Skipped, Swapped, Serviced       string // skipped_probing, plate_swapped and a service since the last probe
	PrintsSinceProbe, HoursSince     float64
	PrintsSinceClean, DaysSinceClean float64
	Underside, Surface, Polymer      string // Polymer "": the material's name
	PatchMassG, PatchAreaMM2         float64
	DensityGCM3                      float64
	BedTempC, MinutesSincePrint      float64 // now, at the machine
	WashedPlateAtHand                string
	// What the height book says: the nozzle move the pair will need to stand in the
	// middle of its band, up positive, and how much thicker the plate is than another
	// one. NaN: nothing.
	PairMove, Thicker Interval
	ThickerThan       string // the other plate; "" the mean plate
	// How the latest mesh leans: > 0 where right, or back, is higher. NaN: not known.
	MeshTiltXMMPerM, MeshTiltYMMPerM float64
	Earlier                          []Earlier // oldest first
}

// Interval is a value in mm with its 95 % interval.
type Interval struct{ MM, LowMM, HighMM float64 }

// Known tells whether there is a value.
func (i Interval) Known() bool { return !math.IsNaN(i.MM) }

// Earlier is a first layer before this one, of the same printer or plate.
type Earlier struct {
	Layer                  farm.FirstLayer
	SamePrinter, SamePlate string
	Skipped                string
	PrintsSinceClean       float64
	Advised, Done          []Action
}

// Farm is what a farm has set for itself; the zero value is the defaults.
type Farm struct {
	OverBonding bed.OverBonding   // nil: bed.DefaultOverBonding
	Safety      map[Hazard]string // texts in place of the default ones
	Held        []Held            // what became of layers that were let run
	// LateLoss is what a print lost later costs against stopping it now; 0: 3.
	LateLoss float64
}

// Held counts layers that carried a mark of a severity and were let run, by
// whether they held.
type Held struct {
	Mark       string
	Severity   uint8
	Held, Lost int
	// NudgedHeld and NudgedLost count those that were nudged instead.
	NudgedHeld, NudgedLost int
}

// FarmOf is what a farm's settings say, and what became of its layers.
func FarmOf(s farm.SettingValues, held []Held) Farm {
	f := Farm{OverBonding: bed.OverBonding{}, Safety: map[Hazard]string{}, Held: held}
	pairs, _ := farm.ParseOverBonding(s.Text("over_bonding"))
	for _, p := range pairs {
		f.OverBonding = append(f.OverBonding, bed.OverBond{Polymer: p.Polymer, Surface: p.Surface})
	}
	for h, key := range SafetySettings {
		f.Safety[h] = s.Text(key)
	}
	return f
}

// NewCase is a case of which nothing is known.
func NewCase() Case {
	nan := math.NaN()
	return Case{Layer: EmptyLayer(), BedXMM: nan, BedYMM: nan, ZStepMM: nan,
		Context: Context{PrintsSinceProbe: nan, HoursSince: nan, PrintsSinceClean: nan, DaysSinceClean: nan, PatchMassG: nan, PatchAreaMM2: nan, DensityGCM3: nan, BedTempC: nan, MinutesSincePrint: nan,
			PairMove: Interval{nan, nan, nan}, Thicker: Interval{nan, nan, nan}, MeshTiltXMMPerM: nan, MeshTiltYMMPerM: nan}}
}

// EmptyLayer is a first layer of which nothing is known.
func EmptyLayer() farm.FirstLayer {
	nan := math.NaN()
	return farm.FirstLayer{NozzleMM: nan, LayerHeightMM: nan, LineWidthMM: nan, LinePitchMM: nan, NudgeMM: nan, LookChance: nan}
}

// Answer is a diagnosis.
type Answer struct {
	Causes   []Ranked
	Advice   []Advice
	Estimate *Estimate // nil: nothing tells the height
	// Sure, Because, WouldChange belong to the advice as a whole.
	Sure, Because, WouldChange string
	Holds                      string // of a running layer: whether it is to hold, in words
}

// Ranked is one cause with its chance and the facts for and against it.
type Ranked struct {
	Cause            Cause
	Chance           float64
	Sure             string // clear, likely, cannot_tell
	Because, Against string
}

// Advice is one step.
type Advice struct {
	Action                Action
	Do                    string
	MoveMM, LowMM, HighMM float64 // up positive; NaN unless the nozzle is moved
	Safety                string
}

// Estimate is where the nozzle stood, before aim, dead band, rounding and cap;
// positive offsets are too high.
type Estimate struct {
	OffsetMM, LowMM, HighMM  float64
	TiltXMMPerM, TiltYMMPerM float64 // NaN where the bed's size is not known
}
