package upkeep

import (
	"basecourse/internal/exposure"
	"basecourse/internal/findings"
)

// Past is a start that was made, as it was known before it, and what came of it.
type Past struct {
	Next
	Graded, Failed bool
	Week           int16 // since 1970, in UTC
	SinceWash      int32 // prints of the plate, -1 unknown
}

// PastOf is a start with its exposure. What had just failed is left out: nothing that
// is learned from runs goes by it.
func PastOf(s *exposure.Start, e *exposure.Exposure, material int32, graded bool) Past {
	const week = 7 * 24 * 3600e6 // microseconds
	return Past{Next{Printer: s.Printer, Plate: e.Plate, Material: material, Probing: findings.Probing(e.State), SinceProbe: e.PrintsSinceProbe, Gap: e.PrintsSinceClean},
		graded, graded && s.Failed, int16(s.At / week), e.PrintsSinceWash}
}

// begins tells whether a start was probed for, so that a run begins with it.
func (p *Past) begins() bool { return p.SinceProbe == 0 }

// Runs cuts starts in order of time, of any printers, into runs for Learn: each of one
// printer, from a probe (or the first start there is) up to the next.
func Runs(starts []Past) [][]Past {
	printers := 0
	for i := range starts {
		printers = max(printers, int(starts[i].Printer)+1)
	}
	ends := make([]int, printers+1)
	for i := range starts {
		ends[starts[i].Printer+1]++
	}
	for i := range printers {
		ends[i+1] += ends[i]
	}
	list := make([]Past, len(starts))
	next := append([]int(nil), ends[:printers]...)
	for i := range starts {
		p := starts[i].Printer
		list[next[p]] = starts[i]
		next[p]++
	}
	var runs [][]Past
	for i := range printers {
		from := ends[i]
		for k := from + 1; k <= ends[i+1]; k++ {
			if k == ends[i+1] || list[k].begins() {
				runs = append(runs, list[from:k:k])
				from = k
			}
		}
	}
	return runs
}

// Remembered is how many starts since a printer's last probe its next answer looks at.
const Remembered = 30

// Open follows the starts of each printer since its last probe.
type Open [][]Past

// NewOpen makes room for so many printers.
func NewOpen(printers int) Open { return make(Open, printers) }

// Add takes in the next start in order of time.
func (o Open) Add(p *Past) {
	run := o[p.Printer]
	if p.begins() {
		run = run[:0]
	}
	if len(run) == 2*Remembered {
		run = append(run[:0], run[Remembered:]...)
	}
	o[p.Printer] = append(run, *p)
}

// Since gives what State.Since asks for a printer's next start.
func (o Open) Since(printer int32) []Past {
	run := o[printer]
	return run[max(0, len(run)-Remembered):]
}
