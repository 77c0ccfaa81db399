package simfarm

import "time"

// Spread says which share of the subjects is affected by something and how
// strongly: log-uniform between Low and High.
type Spread struct{ Share, Low, High float64 }

// Shape is how the chance of a failure follows the oil on a plate.
type Shape uint8

// The shapes, as functions of the oil o in ordinary prints since a wash.
const (
	OilLinear     Shape = iota // o / 10
	OilSaturating              // 1 - exp(-o/6)
	OilThreshold               // 0 up to 6, smoothly to 1.2 at 14
)

// Scenario holds everything that decides what happens on an invented farm.
// Chances and shares are 0 to 1, heights mm, "log-odds" are added on the logit
// scale. The zero value of an effect switches it off.
type Scenario struct {
	Name, About string

	// Schedule.
	Start                time.Time // first midnight
	Days                 int
	Printers, Plates     int
	Bays                 int     // printers and plates are dealt to bays; plates stay in theirs
	StartsLow, StartsMax float64 // starts a printer and day, each printer uniform between
	RestartChance        float64 // a failed layer is started again 14 to 50 minutes later

	// Graders: three shifts (6-14, 14-22, 22-6), each with its own people.
	GradersPerShift int
	Coverage        float64 // share of starts that get graded
	ByChoice        float64 // log-odds by which imperfect layers are graded more often; 0: missing at random
	NearBase        float64 // chance of a borderline layer from no cause in particular
	NearRatio       float64 // borderline chance of each cause, as a share of its chance to spoil
	Strictness      float64 // mean chance that a grader fails a borderline layer
	Leniency        float64 // mean chance that a grader calls a spoiled layer marginal
	MarginalOfNear  float64 // chance that a borderline layer is called marginal
	ShownShare      float64 // share of starts of jobs whose underside shows (marginal counts as failure)
	NightStrict     float64 // chance that the night crew fails a borderline layer; 0: like the others
	NightSkip       float64 // log-odds added to skipping at night
	NightClean      float64 // factor on the night's readiness to clean; 0 means 1

	// Height.
	LayerHeightMM, LineWidthMM float64 // the profile, for the bead model's band
	WanderOrdinaryMM           float64 // sd of the zero's move from start to start, every printer
	Wander                     Spread  // the same for affected printers, mm
	WanderPull                 float64 // share by which the zero returns towards its last probe per start (OU)
	JumpMM                     Spread  // affected printers lose their zero now and then by N(0, this), mm
	JumpChance                 float64 // chance of that per start
	TiltShare                  float64 // tilt moves by this share of the zero's sd, at the outer zones
	ProbeNoiseMM               float64 // sd of the zero right after a valid probe
	ThicknessMM                float64 // sd of plate thickness
	ThickPlates                Spread  // affected plates are thicker (or thinner) by this, mm
	FrameZero                  float64 // share of printers whose zero is the frame: thickness never cancels
	EdgeRampMM                 float64 // beyond the band's edge the chance to spoil rises smoothly over this
	WorstHeight                float64 // chance to spoil far outside the band
	ServiceEvery               float64 // mean starts between services of a printer; 0: none
	ServiceShiftMM             float64 // sd of the zero's shift by a service

	// Grip.
	OilPlates    Spread // sensitivity of affected plates to oil: hazard at f(oil) = 1
	OilPrinters  Spread // sensitivity of affected printers (cold beds), any plate on them
	Cookers      Spread // printers that bake in more oil per print: factor
	OilEveryone  float64
	GrimyPlates  Spread // plates on which oil shows at once (chance of dull patches and lumps at f(oil) = 1) and does no harm
	OilForm      Shape
	FilmPlates   Spread  // plates on which something builds up that no wipe takes off: hazard after 50 ordinary prints since a wash
	WipeLeaves   float64 // share of the oil a wipe leaves
	WashLeaves   float64
	OverBond     Spread  // plates that over-bond soft materials: chance on a fresh plate
	OverBondFade float64 // prints over which that fades
	TipBlobs     Spread  // printers that carry a blob from probing into the layer: chance when just probed

	// Other causes.
	BaseRisk      float64 // no cause in particular
	RoughMean     float64 // printers' ordinary own risk: mean and sd of its logarithm
	RoughSD       float64
	RoughPrinters Spread // extra risk of affected printers
	WornMean      float64
	WornSD        float64
	WornPlates    Spread
	WornGrowth    float64 // growth of a worn plate's extra risk over the whole time, as a share
	MaterialRisk  float64 // mean risk by material; the hardest has about three times as much
	DebrisRisk    float64
	ColdFrom      int // first day of a cold spell, counted from 0
	ColdDays      int
	ColdRisk      float64 // chance to spoil during it
	ColdBays      float64 // share of the bays that feel it
	ColdSkip      float64 // log-odds added to skipping in it
	ColdClean     float64 // factor on readiness to clean; 0 means 1
	PrinterBurst  float64 // chance per start that a printer's bad spell begins (spool, draught)
	PlateBurst    float64 // the same for a plate
	BurstLength   float64 // mean starts a spell lasts
	BurstRisk     float64 // chance to spoil in it
	DriftSD       float64 // printers' own risk moves by exp(±this) from start to end
	DriftSkip     float64 // and the log-odds of skipping by ±this × the same number
	DriftClean    float64 // and the log of the cleaning habit

	MoodRisk float64 // a printer's own risk moves by exp(this × the mood of its day), the same mood as MoodSD's
	SkipRisk float64 // and by exp(this × how much more than others it is skipped, in SkipSD)

	// Behaviour.
	SkipShare         float64 // typical share of starts without probing
	SkipSD            float64 // between printers, log-odds
	MoodSD            float64 // between days of a printer, log-odds
	CrewMoodSD        float64 // between shifts of a bay, log-odds
	HurrySkip         float64 // log-odds in a bay's hours of hurry (a fifth of the shifts)
	HardSkip          float64 // log-odds for hard materials
	SwapSkip          float64 // log-odds after a swap of plates
	RestartSkip       float64 // log-odds when a failed layer is started again
	VoidChance        float64 // a swap comes after the probing instead of before
	SwapChance        float64 // plates swapped before a start
	SwapAfterFail     float64
	HabitPrints       float64 // typical prints between cleanings of a plate
	HabitSD           float64 // between plates, sd of the logarithm
	Reactive          float64 // chance that a plate is cleaned because a layer failed
	WashShare         float64 // of the cleanings; the rest are wipes
	DeepShare         float64
	UnloggedProbes    float64 // share of probes nobody recorded although all are said to be
	UnloggedCleanings float64
	FittingsRecorded  bool

	// Marks.
	CrossTalk float64 // 1: marks of other causes on failures as common as usual; 0: none
}

// Default is a farm of the size the findings are validated on, with nothing
// wrong: failures of about 4 %, none of which probing or cleaning avoids.
func Default() Scenario {
	return Scenario{
		Name: "quiet", About: "nothing wrong: no zero leaves the band, oil does no harm",
		Start: time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC), Days: 56,
		Printers: 120, Plates: 240, Bays: 10, StartsLow: 12, StartsMax: 20, RestartChance: 0.7,
		GradersPerShift: 4, Coverage: 0.85, NearBase: 0.04, NearRatio: 0.8, Strictness: 0.06, Leniency: 0.04,
		MarginalOfNear: 0.3, ShownShare: 0.1,
		LayerHeightMM: 0.20, LineWidthMM: 0.45, WanderOrdinaryMM: 0.0012, WanderPull: 0.08, TiltShare: 0.5,
		ProbeNoiseMM: 0.004, ThicknessMM: 0.004, FrameZero: 0.25, EdgeRampMM: 0.04, WorstHeight: 0.85,
		ServiceEvery: 500, ServiceShiftMM: 0.006,
		WipeLeaves: 0.12, WashLeaves: 0.02, OverBondFade: 2.5,
		BaseRisk: 0.008, RoughMean: 0.008, RoughSD: 0.6, WornMean: 0.006, WornSD: 0.6, WornGrowth: 0.5,
		MaterialRisk: 0.012, DebrisRisk: 0.003, BurstLength: 4, BurstRisk: 0.35,
		SkipShare: 0.28, SkipSD: 0.6, MoodSD: 0.7, CrewMoodSD: 0.4, HurrySkip: 0.6, HardSkip: 0.3, SwapSkip: -0.7,
		RestartSkip: 0.4, VoidChance: 0.08, SwapChance: 0.15, SwapAfterFail: 0.35,
		HabitPrints: 11, HabitSD: 0.35, Reactive: 0.3, WashShare: 0.25, DeepShare: 0.02,
		CrossTalk: 1,
	}
}
