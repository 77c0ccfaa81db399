package store

import (
	"bytes"
	"math/rand/v2"
	"slices"
	"testing"
)

func packedSample(n int) *layerDay {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	rows := make([]layerRow, n)
	for i := range rows {
		rows[i] = layerRow{at: 20_000*microsPerDay + r.Int64N(microsPerDay), flags: byte(r.IntN(8))}
		rows[i].id[0] = byte(r.IntN(256))
		for k := range rows[i].things {
			rows[i].things[k] = int32(r.IntN([]int{3, 300, 70_000, 2, 1}[k]))
		}
		if r.IntN(3) == 0 {
			rows[i].lot = []string{"a", "Lot ½", ""}[r.IntN(3)]
		}
	}
	slices.SortFunc(rows, compareRows)
	return dayOfRows(20_000, rows, allDimensions)
}

func TestAPackedDayUnpacksToWhatItWas(t *testing.T) {
	for _, n := range []int{0, 1, 5, 80_000} {
		d := packedSample(n)
		times, err := unpackTimes(nil, packTimes(d), d.day, n)
		if err != nil || !slices.Equal(times, d.times) {
			t.Errorf("%d layers: times differ: %v", n, err)
		}
		for k := range d.columns {
			c := &layerColumn{ids: []int32{7}, texts: []string{"old"}, index: []uint32{1, 2, 3}}
			if err := c.unpack(d.columns[k].pack(), n, dimension(k) == dimLot); err != nil {
				t.Fatalf("%d layers: column %s: %v", n, dimensionColumns[k], err)
			}
			if !slices.Equal(c.ids, d.columns[k].ids) || !slices.Equal(c.texts, d.columns[k].texts) || !slices.Equal(c.index, d.columns[k].index) {
				t.Errorf("%d layers: column %s differs", n, dimensionColumns[k])
			}
		}
	}
}

// Whatever bytes a column has, unpacking ends, and what it takes points at
// values that are there.
func FuzzUnpackedColumns(f *testing.F) {
	d := packedSample(9)
	for k := range d.columns {
		f.Add(d.columns[k].pack(), 9, k == int(dimLot))
	}
	f.Add([]byte{255, 255, 255, 255, 255, 255, 255, 255, 255, 1}, 4, false)
	f.Fuzz(func(t *testing.T, b []byte, n int, text bool) {
		if n < 0 || n > 1000 {
			return
		}
		c := &layerColumn{}
		if err := c.unpack(bytes.Clone(b), n, text); err == nil {
			for i := range n {
				if int(c.index[i]) > len(c.ids)+len(c.texts) {
					t.Fatalf("layer %d points at value %d of %d", i, c.index[i], len(c.ids)+len(c.texts))
				}
			}
		}
		_, _ = unpackTimes(nil, b, 20_000, n)
	})
}
