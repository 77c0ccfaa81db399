package simfarm

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"basecourse/internal/farm"
)

// product is something the shop makes.
type product struct {
	name     string
	perPlate int
	hours    float64
	price    float64
}

var (
	hiddenProducts = []product{
		{"seed tray rails", 8, 1.1, 0.9}, {"beehive frame spacers", 24, 1.0, 0.35}, {"drawer runners", 6, 1.4, 1.6}, {"shelf clips, oak bays", 30, 0.9, 0.28},
		{"hose guides", 12, 1.2, 0.7}, {"conduit saddles", 20, 1.0, 0.4}, {"cold-frame hinges", 10, 1.3, 1.1}, {"pump brackets", 4, 1.6, 3.2},
		{"jig blocks for the joinery", 6, 1.5, 2.4}, {"cable glands", 16, 1.0, 0.8}, {"insect-screen corners", 18, 1.0, 0.45}, {"boat-vent louvres", 5, 1.5, 2.1},
	}
	shownProducts = []product{
		{"house numbers", 4, 1.3, 4.5}, {"lamp shades, low dome", 1, 1.7, 14}, {"game box lids", 3, 1.2, 3.8}, {"herb signs", 9, 1.0, 1.3},
		{"desk trays", 2, 1.6, 6.5}, {"museum label frames", 6, 1.2, 2.2},
	}
)

// order is a job on its way into the bundle.
type order struct {
	job          farm.Job
	from, to     int64
	starts, good int
	last         int64
	per          product
}

// jobs deals the starts to orders: two at a time for each material and kind of
// underside, one after the other. Orders that outlive the records stay open.
func (d *demo) jobs() {
	f, r := d.f, d.gen(3)
	type class struct {
		material uint8
		shown    bool
		track    int
	}
	orders := map[class][]*order{}
	var all []*order
	for m := range feedstocks {
		for _, shown := range []bool{false, true} {
			for track := range 2 {
				c := class{uint8(m), shown, track}
				for at := f.begin - int64(r.IntN(5))*dayMicros; at < d.now; {
					o := &order{from: at, to: at + int64((3+9*r.Float64())*float64(dayMicros))}
					products, side := hiddenProducts, "hidden"
					if shown {
						products, side = shownProducts, "shown"
					}
					o.per = products[r.IntN(len(products))]
					o.job = farm.Job{Material: feedstocks[m].name, Underside: side, EarliestStart: instant(o.from).Truncate(time.Hour),
						HoursPerPlate: o.per.hours, FirstLayerMinutes: 4 + float64(r.IntN(10))}
					orders[c] = append(orders[c], o)
					all = append(all, o)
					at = o.to
				}
			}
		}
	}
	// One order for tomorrow that nobody has begun.
	soon := &order{from: d.now + 14*hourMicros, to: d.now + 4*dayMicros, per: hiddenProducts[1]}
	soon.job = farm.Job{Material: "PETG", Underside: "hidden", EarliestStart: instant(soon.from).Truncate(time.Hour), HoursPerPlate: 1, FirstLayerMinutes: 7}
	all = append(all, soon)

	runs := make([]int, len(f.printers))
	lastClass := make([]class, len(f.printers))
	of := make([]*order, len(f.starts))
	for n := range f.starts {
		s := &f.starts[n]
		c := class{s.material, s.shown, 0}
		if c != lastClass[s.printer] {
			lastClass[s.printer] = c
			runs[s.printer]++
		}
		c.track = (int(s.printer) + runs[s.printer]) % 2
		list := orders[c]
		k, _ := slices.BinarySearchFunc(list, s.at, func(o *order, at int64) int {
			if o.to <= at {
				return -1
			}
			return 1
		})
		o := list[min(k, len(list)-1)]
		of[n] = o
		o.starts++
		o.last = max(o.last, s.at)
		if !s.failed {
			o.good++
		}
	}
	slices.SortStableFunc(all, func(a, b *order) int { return cmp.Compare(a.from, b.from) })
	number := 2040
	for _, o := range all {
		if o.starts == 0 && o.from < d.now {
			continue
		}
		number += 1 + r.IntN(3)
		j := &o.job
		j.Job = fmt.Sprintf("J-%d", number)
		j.PlatesNeeded = o.good
		if o.to <= d.now {
			j.ClosedAt = instant(min(d.now, o.last+int64((1+4*r.Float64())*float64(hourMicros)))).Truncate(time.Minute)
		} else {
			// So much that the rest can be done by the day it is due.
			left := 1 + float64(o.to-d.now)/float64(dayMicros)
			j.PlatesNeeded += int(left * (6 + 14*r.Float64()))
		}
		j.Due = instant(o.to).Truncate(time.Hour)
		j.Quantity = max(1, j.PlatesNeeded) * o.per.perPlate
		j.Name = fmt.Sprintf("%d %s", j.Quantity, o.per.name)
		j.Value = math.Round(float64(j.Quantity) * o.per.price)
		j.LateFeePerHour = math.Round(j.Value*0.002*100) / 100
		d.b.Jobs = append(d.b.Jobs, *j)
	}
	for n, o := range of {
		d.b.FirstLayers[n].Job = o.job.Job
	}
}
