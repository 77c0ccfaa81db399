package simfarm

import (
	"math"
	"math/rand/v2"
)

// purpose names what a number drawn for a start is for.
type purpose uint64

// Purposes of the numbers drawn for start k of a printer. The first ones decide
// about the hidden states and are redrawn in replays; the last ones about the
// crew's behaviour, which stays as it was.
const (
	forDrift purpose = iota*2 + 1 // normals take two numbers
	forTiltX
	forTiltY
	forJump
	forJumpSize
	forProbe
	forProbeTiltX
	forProbeTiltY
	forService
	forOil
	forBurst
	forBurstLength
	forGrader
	forCause // + 2 × cause
)

const (
	forInterval purpose = iota*2 + 201
	forRestart
	forSwap
	forPlate
	forClean
	forMethod
	forSkip
	forVoid
	forServiceNow
	forMaterial
	forShown
	forGraded
	forGradedAt
	forPrep
	forLogged
	forCleaningLogged
	forReactive
	forMood
	forHurry
	forWho
	forHabit
	forID
	forOutcome
	forMarks // + anything
)

// mix is the finaliser of splitmix64 (Steele, Lea & Flood 2014): a bijection
// that turns a counter into a number that looks drawn.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// draw is the family of streams of one start (or plate's start, or day).
type draw uint64

func newDraw(seed, salt, who, k uint64) draw {
	return draw(mix(mix(mix(seed^mix(salt))+who) + k))
}

func (d draw) bits(p purpose) uint64 { return mix(uint64(d) ^ mix(uint64(p))) }

// u is uniform on (0, 1).
func (d draw) u(p purpose) float64 { return (float64(d.bits(p)>>11) + 0.5) / (1 << 53) }

// norm is standard normal (Box and Muller 1958).
func (d draw) norm(p purpose) float64 {
	return math.Sqrt(-2*math.Log(d.u(p))) * math.Cos(2*math.Pi*d.u(p+1))
}

// Who a stream belongs to: printers are 0.., the others have their own range.
const (
	whoPlate = 1 << 32
	whoShift = 2 << 32
	whoDay   = 3 << 32
)

// strength draws whether a subject is affected, and how strongly; 0 if not.
func (s Spread) strength(r *rand.Rand) float64 {
	hit, at := r.Float64(), r.Float64()
	if hit >= s.Share || s.High <= 0 {
		return 0
	}
	return s.Low * math.Pow(s.High/s.Low, at)
}

// lognormal has the given mean and sd of its logarithm.
func lognormal(r *rand.Rand, mean, sd float64) float64 {
	return mean * math.Exp(sd*r.NormFloat64()-sd*sd/2)
}

func logit(p float64) float64    { return math.Log(p / (1 - p)) }
func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// smooth rises from 0 at x = 0 to 1 at x = 1 without a corner (3x² − 2x³).
func smooth(x float64) float64 {
	if x <= 0 {
		return 0
	}
	if x >= 1 {
		return 1
	}
	return x * x * (3 - 2*x)
}
