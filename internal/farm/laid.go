package farm

import "time"

// A fault lives in one of two frames: the printer's bed, or the plate that lay
// on it. The same marks, summed in both, tell which: what stays in a zone of the
// bed whatever plate lies there is the printer's; what stays in a zone of the
// plate, also when it is turned or lies on another printer, is the plate's.

// Laid is a graded first layer as far as its marks on the bed matter.
type Laid struct {
	Marks   []Mark // as seen from the front and above
	Covered []Zone // printed on; none: all
	Turned  bool   // its plate lay turned by 180°
}

// ZoneCount counts the layers of one zone.
type ZoneCount struct {
	Printed int            // layers printed there
	Marked  int            // of these, with any mark
	By      map[string]int // of these, with each mark
}

// SumMarks counts marks by zone of a grid, row by row from the front. In the
// plate's frame a turned plate is turned back, so that a zone is always the same
// piece of it. Marks outside the grid or outside what was printed are left out.
func SumMarks(layers []Laid, cols, rows int, ofPlate bool) [][]ZoneCount {
	sums := make([][]ZoneCount, rows)
	for r := range sums {
		sums[r] = make([]ZoneCount, cols)
		for c := range sums[r] {
			sums[r][c].By = map[string]int{}
		}
	}
	for i := range layers {
		l := &layers[i]
		at := func(z Zone) *ZoneCount {
			if !z.In(cols, rows) {
				return nil
			}
			if ofPlate && l.Turned {
				z = Zone{uint8(cols-1) - z.Col, uint8(rows-1) - z.Row}
			}
			return &sums[z.Row][z.Col]
		}
		printed := map[*ZoneCount]bool{}
		if len(l.Covered) == 0 {
			for r := range sums {
				for c := range sums[r] {
					printed[&sums[r][c]] = true
				}
			}
		}
		for _, z := range l.Covered {
			if n := at(z); n != nil {
				printed[n] = true
			}
		}
		marked := map[*ZoneCount]bool{}
		for _, m := range l.Marks {
			if n := at(m.Zone); n != nil && printed[n] {
				n.By[m.Mark]++
				marked[n] = true
			}
		}
		for n := range printed {
			n.Printed++
			if marked[n] {
				n.Marked++
			}
		}
	}
	return sums
}

// Sighting says where a plate was, or which plate was there: by a fitting, or by
// a first layer that named both.
type Sighting struct {
	Where   string // tag of the other thing
	At      time.Time
	Removed time.Time // of a fitting; zero: not stated
	Fitting bool
	Side    string
	Turned  string
}

// Stay is a stretch of sightings at one place the same way up and round.
type Stay struct {
	Where        string
	From         time.Time
	Last         time.Time // last sighting
	Until        time.Time // taken off, or seen elsewhere; zero: not known to have ended
	Fitted       bool      // it began with a fitting
	Starts       int
	Side, Turned string
}

// Stays joins sightings, oldest first, into stays, newest first. Another place,
// a fitting, a stated other side or turn, or a start after the plate was taken
// off begin a new one; a stay ends where the next begins.
func Stays(list []Sighting) []Stay {
	var out []Stay
	for _, s := range list {
		var now *Stay
		if n := len(out); n > 0 {
			now = &out[n-1]
		}
		same := now != nil && !s.Fitting && now.Where == s.Where && (now.Until.IsZero() || !s.At.After(now.Until)) &&
			(s.Side == "" || now.Side == "" || s.Side == now.Side) && (s.Turned == "" || now.Turned == "" || s.Turned == now.Turned)
		if !same {
			if now != nil && (now.Until.IsZero() || now.Until.After(s.At)) {
				now.Until = s.At
			}
			out = append(out, Stay{Where: s.Where, From: s.At, Fitted: s.Fitting, Until: s.Removed})
			now = &out[len(out)-1]
		}
		now.Last = s.At
		if !s.Fitting {
			now.Starts++
		}
		if now.Side == "" {
			now.Side = s.Side
		}
		if now.Turned == "" {
			now.Turned = s.Turned
		}
	}
	for i, j := 0, len(out)-1; i < j; i, j = i+1, j-1 {
		out[i], out[j] = out[j], out[i]
	}
	return out
}
