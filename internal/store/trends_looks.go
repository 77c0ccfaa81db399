package store

import (
	"encoding/binary"
	"math"

	"basecourse/internal/sampling"
)

// Where a farm looks at some of its first layers only, packed days keep what the
// look list drew, two bytes a layer: 0 not drawn for, else the chance in
// ten-thousandths, with lookLeft where the start was drawn and is not on the list.
const lookLeft = 0x8000

// lookSQL is what the look list drew for a first layer f, as it is packed. A layer
// that was graded by lot or risk with a chance was on a list, whoever kept it.
const lookSQL = `CASE WHEN f.look_chance > 0 AND (f.look_drawn IN ('lot', 'risk') OR f.look_drawn IS NULL AND f.looked_because IN ('lot', 'risk')) THEN greatest(1, round(f.look_chance * 10000))::int
	WHEN f.look_drawn = 'no' THEN 32768 + round(coalesce(f.look_chance, 0) * 10000)::int ELSE 0 END`

// TrendLook is what the look list tells of a group: how many starts it drew for,
// how many of these it put on the list, how many layers were graded that it did
// not put there, and the sums of those it did that were graded.
type TrendLook struct {
	Drawn, Listed, Outside int
	sampling.Sums
}

func (l *TrendLook) add(look uint16, flags byte) {
	l.Drawn++
	if look&lookLeft != 0 {
		if flags&flagGraded != 0 {
			l.Outside++
		}
		return
	}
	l.Listed++
	if flags&flagGraded != 0 {
		l.Add(float64(look)/10_000, flags&flagFailed != 0)
	}
}

// packLooks packs a day's draws; nil where there are none.
func packLooks(looks []uint16) []byte {
	if looks == nil {
		return nil
	}
	b := make([]byte, 0, 2*len(looks))
	for _, x := range looks {
		b = binary.LittleEndian.AppendUint16(b, x)
	}
	return b
}

// unpackLooks reads n layers' draws into room that is used again.
func unpackLooks(into []uint16, b []byte, n int) ([]uint16, error) {
	if len(b) != 2*n {
		return nil, errPackedDay
	}
	into = sized(into, n)
	for i := range into {
		into[i] = binary.LittleEndian.Uint16(b[2*i:])
	}
	return into, nil
}

// looksOf gives a day's draws from its rows; nil where there are none.
func looksOf(list []layerRow) (looks []uint16) {
	for i := range list {
		if x := list[i].look; x != 0 {
			if looks == nil {
				looks = make([]uint16, len(list))
			}
			looks[i] = x
		}
	}
	return looks
}

// lookCounter counts what the look list tells, where it tells anything.
type lookCounter struct {
	total   TrendLook
	buckets []TrendLook
	groups  []TrendLook
	pairs   map[int]*TrendLook
}

// count takes in a day's draws, once its layers have their buckets and groups.
func (k *lookCounter) count(c *trendCounter, d *layerDay) {
	if d.looks == nil {
		return
	}
	if k.buckets == nil {
		k.buckets = make([]TrendLook, len(c.buckets))
	}
	width := len(c.pairs.ids[1])
	for i, keep := range c.keep {
		look := d.looks[i]
		if !keep || look == 0 {
			continue
		}
		k.total.add(look, d.flags[i])
		k.buckets[c.bucket[i]].add(look, d.flags[i])
		switch c.q.By {
		case TrendAll:
		case TrendPair:
			if k.pairs == nil {
				k.pairs = map[int]*TrendLook{}
			}
			cell := int(c.second[i])*width + int(c.group[i])
			if k.pairs[cell] == nil {
				k.pairs[cell] = &TrendLook{}
			}
			k.pairs[cell].add(look, d.flags[i])
		default:
			g := int(c.group[i])
			for g >= len(k.groups) {
				k.groups = append(k.groups, TrendLook{})
			}
			k.groups[g].add(look, d.flags[i])
		}
	}
}

// of gives what is known of a group; nothing where the list drew for none of it.
func (k *lookCounter) of(group int) TrendLook {
	if group < len(k.groups) {
		return k.groups[group]
	}
	return TrendLook{}
}

// lookOfNumber reads a draw as the database gives it.
func lookOfNumber(n int32) uint16 { return uint16(min(max(n, 0), math.MaxUint16)) }
