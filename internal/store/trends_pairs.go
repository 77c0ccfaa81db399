package store

// pairTable counts by plate and printer. On a farm where every plate visits
// every printer there are as many pairs as layers, so that a map would cost more
// than reading them: up to mostPairCells the table is a plain grid.
type pairTable struct {
	printers, plates map[int32]int32 // number in the database to place; plates from 1
	ids              [2][]int32      // and back: printers, plates
	grid             []pairTally
	sparse           map[int]pairTally
}

const mostPairCells = 16 << 20

// pairTally holds started, graded and failed in 21 bits each: two million starts
// of one plate on one printer are more than either lives to see.
type pairTally uint64

const pairBits = 21

var pairTallies = func() (t [8]pairTally) {
	for f, one := range tallies {
		t[f] = pairTally(one.started) | pairTally(one.graded)<<pairBits | pairTally(one.failures)<<(2*pairBits)
	}
	return t
}()

func (t pairTally) count() TrendCount {
	const mask = 1<<pairBits - 1
	return TrendCount{Started: int(t & mask), Graded: int(t >> pairBits & mask), Failures: int(t >> (2 * pairBits))}
}

func newPairTable(t *trendThings) pairTable {
	p := pairTable{printers: map[int32]int32{}, plates: map[int32]int32{0: 0}}
	p.ids[1] = append(p.ids[1], 0)
	for id := range t.printers {
		p.printers[id] = int32(len(p.ids[0]))
		p.ids[0] = append(p.ids[0], id)
	}
	for id := range t.plates {
		p.plates[id] = int32(len(p.ids[1]))
		p.ids[1] = append(p.ids[1], id)
	}
	if cells := len(p.ids[0]) * len(p.ids[1]); cells <= mostPairCells {
		p.grid = make([]pairTally, cells)
	} else {
		p.sparse = map[int]pairTally{}
	}
	return p
}

// each gives every pair with enough graded layers, by the database's numbers,
// and sums the others up.
func (p *pairTable) each(least int, give func(plate, printer int32, c TrendCount, cell int)) (rest TrendCount, pairs int) {
	one := func(cell int, t pairTally) {
		c := t.count()
		if c.Graded < least {
			rest.add(c)
			pairs++
			return
		}
		give(p.ids[1][cell%len(p.ids[1])], p.ids[0][cell/len(p.ids[1])], c, cell)
	}
	for cell, t := range p.sparse {
		one(cell, t)
	}
	for cell, t := range p.grid {
		if t != 0 {
			one(cell, t)
		}
	}
	return rest, pairs
}

func (c *trendCounter) countPairs(d *layerDay, plates []int32) {
	if c.pairs.printers == nil {
		c.pairs = newPairTable(c.things)
	}
	c.group, c.second = sized(c.group, d.len()), sized(c.second, d.len())
	place := func(into []int32, column *layerColumn, places map[int32]int32) {
		c.table = append(c.table[:0], 0)
		for _, id := range column.ids {
			c.table = append(c.table, places[id])
		}
		for i, n := range column.index {
			into[i] = c.table[n]
		}
	}
	place(c.second, &d.columns[dimPrinter], c.pairs.printers)
	if plates != nil {
		for i, id := range plates {
			c.group[i] = c.pairs.plates[id]
		}
	} else {
		place(c.group, &d.columns[dimPlate], c.pairs.plates)
	}
	width := len(c.pairs.ids[1])
	for i, keep := range c.keep {
		cell := int(c.second[i])*width + int(c.group[i])
		switch {
		case !keep:
		case c.pairs.sparse != nil:
			c.pairs.sparse[cell] += pairTallies[d.flags[i]&7]
		default:
			c.pairs.grid[cell] += pairTallies[d.flags[i]&7]
		}
	}
}
