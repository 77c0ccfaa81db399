package trial

// What the tests on simulated farms go by; they are outside, since simfarm imports this room.

type Weigher = weigher

var NewWeigher = newWeigher

func (w *weigher) Odds(x, n int, b Beside) float64 { return w.odds(x, n, b) }
func (w *weigher) More(p Proof) int                { return w.more(p) }

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}
