package findings

import "math"

// Layers holds the graded first layers of a window as columns, one entry a
// layer in every slice, in any order. Indexes are small integers from 0; -1 is
// unknown (a plate nobody named, a grader not noted).
type Layers struct {
	At       []int64 // start, microseconds since 1970 UTC
	Printer  []int32
	Plate    []int32
	Material []int32
	Grader   []int32
	Failed   []bool
	Probing  []Probing // what the exposure says of probing
	SinceP   []int32   // starts since the last probe, -1 unknown
	Gap      []int32   // prints since the plate was cleaned, -1 unknown
	Recent   []Recent  // what had just happened on this printer and plate
	Height   []uint8   // strongest severity of a height mark (nozzle low or high), 0 none
	Grip     []uint8   // strongest severity of a grip mark (blobs, dragged, lifting), 0 none
	Dirt     []uint8   // strongest severity of contamination marks, 0 none
	Else     []uint8   // strongest severity of any other mark, 0 none
	Hour     []uint8   // hour of day in the farm's zone, 0 to 23
	Day      []int32   // day of the window in the farm's zone, from 0
}

// Probing is the state of the probe a layer was started under.
type Probing uint8

// States of the probe.
const (
	ProbingUnknown Probing = iota
	ProbingValid
	ProbingVoid
	ProbingSkipped
)

// Recent is what the starts before this one make likely without any exposure:
// trouble comes in bursts, and a start soon after a failed one on the same
// printer and plate is a restart, whose missing probe is no cause.
type Recent uint8

// Levels of Recent, the strongest that applies.
const (
	RecentNone Recent = iota
	RecentPlateFailed
	RecentPrinterFailed
	RecentRestart
	recentLevels
)

// Len is the number of layers.
func (l *Layers) Len() int { return len(l.At) }

// Grow makes room for n layers in every column.
func (l *Layers) Grow(n int) {
	l.At = make([]int64, 0, n)
	for _, p := range []*[]int32{&l.Printer, &l.Plate, &l.Material, &l.Grader, &l.SinceP, &l.Gap, &l.Day} {
		*p = make([]int32, 0, n)
	}
	l.Failed = make([]bool, 0, n)
	l.Probing = make([]Probing, 0, n)
	l.Recent = make([]Recent, 0, n)
	for _, p := range []*[]uint8{&l.Height, &l.Grip, &l.Dirt, &l.Else, &l.Hour} {
		*p = make([]uint8, 0, n)
	}
}

// resize makes every column n long, within what Grow made room for.
func (l *Layers) resize(n int) {
	for _, c := range l.columns() {
		c.resize(n)
	}
}

// gathered gives the layers with those of a printer, and of a plate on it, one
// after another: questions and blocks go through them that way, and memory is
// read in order. Among those of one plate on one printer the order is kept.
func (l *Layers) gathered(printers, plates int) *Layers {
	byPlate := splitBy(l.Plate, plates)
	order := make([]int32, 0, l.Len())
	for i, p := range l.Plate {
		if p < 0 {
			order = append(order, int32(i))
		}
	}
	order = append(order, byPlate.order...)
	next := make([]int32, printers+1)
	for _, p := range l.Printer {
		next[p+1]++
	}
	for p := range printers {
		next[p+1] += next[p]
	}
	at := make([]int32, l.Len())
	for _, i := range order {
		p := l.Printer[i]
		at[next[p]] = i
		next[p]++
	}
	g := &Layers{}
	parallel(len(g.columns()), func(c int) { g.columns()[c].take(l.columns()[c], at) })
	return g
}

// column is one of the slices of Layers.
type column interface {
	take(from column, at []int32)
	resize(n int)
}

type columnOf[T any] struct{ values *[]T }

func (c columnOf[T]) take(from column, at []int32) {
	source := *from.(columnOf[T]).values
	to := make([]T, len(source)) // a column nobody filled stays empty
	for k := range to {
		to[k] = source[at[k]]
	}
	*c.values = to
}

func (c columnOf[T]) resize(n int) { *c.values = (*c.values)[:n] }

func (l *Layers) columns() []column {
	return []column{columnOf[int64]{&l.At}, columnOf[int32]{&l.Printer}, columnOf[int32]{&l.Plate}, columnOf[int32]{&l.Material},
		columnOf[int32]{&l.Grader}, columnOf[bool]{&l.Failed}, columnOf[Probing]{&l.Probing}, columnOf[int32]{&l.SinceP},
		columnOf[int32]{&l.Gap}, columnOf[Recent]{&l.Recent}, columnOf[uint8]{&l.Height}, columnOf[uint8]{&l.Grip},
		columnOf[uint8]{&l.Dirt}, columnOf[uint8]{&l.Else}, columnOf[uint8]{&l.Hour}, columnOf[int32]{&l.Day}}
}

// gapDose is the dose of a cleaning gap: log2(1 + prints since the plate was
// cleaned), so that a unit is a doubling.
func gapDose(gap int32) float64 {
	if gap < 0 {
		return 0
	}
	return math.Log2(1 + float64(gap))
}
