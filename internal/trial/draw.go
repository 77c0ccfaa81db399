package trial

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"time"
)

// Stands is how long a draw waits for its start. A start that comes later is governed
// by no draw, and none is drawn for it again.
const Stands = 7 * 24 * time.Hour

// Governs tells which start each draw governs: of one printer and one task, given when
// they were drawn and when the printer started (microseconds since 1970, both in order,
// equal ones by id). Every recorded start counts, graded or not. The answer has for each draw the place of its
// start in the list, or -1.
//
// A draw governs the printer's next start: the first at its instant or after it, if no
// more than Stands lies between. Of several for one start the first governs and the
// others govern none, so that nobody can draw again until they like it. Only times
// decide: neither what was done meanwhile nor which plate lies there at the start, as
// both may follow from the draw.
func Governs(drawn, started []int64) []int {
	out := make([]int, len(drawn))
	s, taken := 0, -1
	for d, at := range drawn {
		for s < len(started) && started[s] < at {
			s++
		}
		out[d] = -1
		if s < len(started) && s != taken {
			taken = s
			if started[s]-at <= Stands.Microseconds() {
				out[d] = s
			}
		}
	}
	return out
}

// Holds tells whether a draw is the one for a printer's next start, as of a time: of the
// draws of one task in order it is the first after the printer's last start, and not older
// than Stands. Times as in Governs; lastStart 0: never started. -1: none.
func Holds(drawn []int64, lastStart, at int64) int {
	for d, t := range drawn {
		if t > lastStart && t <= at {
			if at-t > Stands.Microseconds() {
				return -1
			}
			return d
		}
	}
	return -1
}

// Number is what the lot drew for a task before a printer's next start: from 0
// (included) to 1 (left out), the same whenever it is asked, given when the printer
// started last (microseconds since 1970; 0 never). The lot says do where it is below the
// chance. Whoever does not have the farm's secret cannot tell it beforehand.
func Number(secret []byte, printer string, lastStart int64, task string) float64 {
	return float64(binary.BigEndian.Uint64(digest(secret, "number", printer, lastStart, task))>>11) / (1 << 53)
}

// The chances of doing it where leaving it is cheaper by the whole limit, and where doing
// it is. Between them the chance goes with the difference in a straight line: that costs
// less than a third of what even chances would (the cost of a draw is the difference times
// the chance of the dearer arm, on the average over the differences 0.117 of the limit and
// not 0.25), and a chance no lower than a tenth keeps any one start from weighing more than
// ten.
const Least, Most = 0.1, 0.9

// Chance is with which chance the standing lot says do, in hundredths as it is recorded,
// where doing it saves so much against leaving it (money, below 0 where it costs more) and
// the two may differ by no more than a limit.
func Chance(saves, limit float64) float64 {
	return math.Round(100*((Least+Most)/2+(Most-Least)/2*saves/limit)) / 100
}

// ID is the id of the draw for a task before a printer's next start, whatever it is drawn
// for: there is one.
func ID(printer string, lastStart int64, task string) string {
	return "drawn-" + hex.EncodeToString(digest(nil, "id", printer, lastStart, task)[:16])
}

func digest(secret []byte, what, printer string, lastStart int64, task string) []byte {
	h := hmac.New(sha256.New, secret)
	h.Write([]byte(what + "\x00" + printer + "\x00" + task + "\x00"))
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(lastStart)))
	return h.Sum(nil)
}
