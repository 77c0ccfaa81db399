package sampling

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"math"
	"slices"
)

// Why says why a start is on the list, or that it is not.
type Why string

// What a draw comes to, by the stored code.
const (
	ByLot  Why = "lot"
	ByRisk Why = "risk"
	Not    Why = "no"
)

// lotPart is the part of the share that is drawn by lot. Half: a forecast that
// says nothing then costs little (the variance is at most twice that of the lot
// alone), and one that is right gains most of what there is to gain.
const lotPart = 0.5

// Design gives each start its chance to be on the list.
type Design struct {
	share, floor float64
	slope        float64 // of the chance over √(p(1-p))
	usual        float64 // √(p(1-p)) of a start whose risk nobody knows
}

// Plan makes the design that looks at a share (0 to 1) of starts like those whose
// risks (chances of failure, 0 to 1, NaN unknown) are given: the farm's next
// starts. Without any risks it is a lot alone.
func Plan(share float64, risks []float64) Design {
	share = min(max(share, 0), 1)
	d := Design{share: share, floor: lotPart * share}
	var known []float64
	for _, p := range risks {
		if p >= 0 && p <= 1 {
			known = append(known, spread(p))
		}
	}
	if len(known) == 0 || share <= 0 || share >= 1 {
		d.floor = share
		return d
	}
	slices.Sort(known)
	d.usual = (known[(len(known)-1)/2] + known[len(known)/2]) / 2
	if known[len(known)-1] == 0 {
		d.floor = share
		return d
	}
	// The chances of all must add up to share times their number; those that
	// would be above 1 leave the rest to the others.
	want := share * float64(len(known))
	sum := func(slope float64) (s float64) {
		for _, h := range known {
			s += min(1, d.floor+slope*h)
		}
		return s
	}
	low, high := 0.0, 1.0
	for sum(high) < want && high < 1e9 {
		high *= 2
	}
	for range 60 {
		if mid := (low + high) / 2; sum(mid) < want {
			low = mid
		} else {
			high = mid
		}
	}
	d.slope = (low + high) / 2
	return d
}

// spread is the standard deviation of an outcome; beyond one half it does not fall
// again, so that the likeliest to fail are the likeliest to be looked at.
func spread(p float64) float64 { p = min(p, 0.5); return math.Sqrt(p * (1 - p)) }

// steps is how finely chances are kept: four decimals, so that what is written
// down is what was drawn with.
const steps = 10_000

// Chance of a start with a risk (NaN unknown), from the floor to 1, to four
// decimals.
func (d Design) Chance(risk float64) float64 {
	h := d.usual
	if risk >= 0 && risk <= 1 {
		h = spread(risk)
	}
	return math.Round(min(1, d.floor+d.slope*h)*steps) / steps
}

// Draw decides about a start: its chance, and whether and why it is on the list.
// u is its number from Number.
func (d Design) Draw(u, risk float64) (chance float64, why Why) {
	chance = d.Chance(risk)
	switch {
	case u < min(d.floor, chance):
		return chance, ByLot
	case u < chance:
		return chance, ByRisk
	}
	return chance, Not
}

// Number is the permanent random number of a start, from 0 (included) to 1 (left
// out), given the farm's secret and its id: the same for ever, so that nobody draws
// twice; and who does not have the secret cannot tell it beforehand, nor choose an id by it.
func Number(secret []byte, id [16]byte) float64 {
	h := hmac.New(sha256.New, secret)
	h.Write(append([]byte("look list\x00"), id[:]...))
	return float64(binary.BigEndian.Uint64(h.Sum(nil)[:8])>>11) / (1 << 53)
}
