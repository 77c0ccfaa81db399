package simfarm

import (
	"fmt"
	"strconv"
	"time"

	"basecourse/internal/farm"
)

var (
	demoBays = []string{"North wall", "Window row", "Middle row", "Loft", "Back room"}

	// Three of each shift, in the order of the graders, then the office.
	demoCrew = [][2]string{
		{"marit", "Marit Osei"}, {"dawid", "Dawid Fennel"}, {"yusra", "Yusra Linde"},
		{"tomas", "Tomas Abara"}, {"keiko", "Keiko Vance"}, {"bram", "Bram Sithole"},
		{"ilse", "Ilse Quarrie"}, {"niko", "Niko Amadi"}, {"salome", "Salome Reyes"},
	}
	demoOffice = []farm.Person{
		{Handle: "henrike", Name: "Henrike Moyo", Role: "manager"},
		{Handle: "anders", Name: "Anders Castellan", Role: "manager"},
		{Handle: "lindiwe", Name: "Lindiwe Harrow", Role: "admin"},
	}

	demoPrinterNames = []string{"Heron", "Wren", "Plover", "Swift", "Dipper", "Linnet", "Curlew", "Teal", "Siskin", "Bunting", "Jackdaw", "Pipit",
		"Avocet", "Merlin", "Knot", "Whinchat", "Redstart", "Goshawk", "Lapwing", "Egret", "Nuthatch", "Smew", "Gannet", "Puffin",
		"Osprey", "Kestrel", "Dunlin", "Fieldfare", "Rook", "Magpie", "Jay", "Sandpiper", "Turnstone", "Wigeon", "Pochard", "Scoter",
		"Shrike", "Brambling", "Crossbill", "Hawfinch", "Twite", "Serin", "Dotterel", "Ruff", "Snipe", "Godwit", "Sanderling", "Tern",
		"Crane", "Stork", "Bittern", "Coot", "Moorhen", "Grebe", "Shelduck", "Eider", "Garganey", "Gadwall", "Hobby", "Harrier"}
)

func (f *Farm) demoNames() names {
	n := f.plainNames()
	n.bays = demoBays
	for g := range n.people {
		n.people[g] = demoCrew[g][0]
	}
	for j := range n.plates {
		n.plates[j] = fmt.Sprintf("L-%d", 101+j)
	}
	return n
}

// things fills in what stands around: printers, plates, people, shifts,
// instruments, screws and settings.
func (d *demo) things() {
	b, f, r := d.b, d.f, d.gen(2)
	begin := instant(f.begin)
	for i := range b.Printers {
		p := &b.Printers[i]
		p.Name = demoPrinterNames[i]
		p.InServiceFrom = begin.AddDate(0, -3-r.IntN(30), -r.IntN(28))
		switch f.printers[i].bay {
		case 2:
			p.ZStepMM = 0.02
		case 4:
			p.ZStepMM = 0.025
		}
		switch n := i + 1; {
		case n == 60:
			p.ProbingRecorded = "none"
		case n > 55:
			p.ProbingRecorded = "some"
		}
		bed := p.BedXMM
		corners := [][2]float64{{30, 30}, {bed - 30, 30}, {30, bed - 30}, {bed - 30, bed - 30}}
		if f.printers[i].bay == 4 {
			corners = [][2]float64{{bed / 2, 30}, {30, bed - 30}, {bed - 30, bed - 30}}
		}
		if f.printers[i].bay == 3 {
			continue // beds without screws
		}
		for c, at := range corners {
			b.Screws = append(b.Screws, farm.Screw{Printer: p.Tag, Screw: strconv.Itoa(c + 1), XMM: at[0], YMM: at[1], PitchMM: 0.7})
		}
	}
	b.Printers = append(b.Printers, farm.Printer{Tag: "P-061", Name: "Bustard", Bay: demoBays[4], BedXMM: 350, BedYMM: 350, ZoneCols: zoneCols,
		ZoneRows: zones / zoneCols, ZStepMM: 0.025, ZeroFrom: "frame", ProbingRecorded: "all",
		InServiceFrom: begin.AddDate(-4, 0, 0), RetiredAt: begin.AddDate(0, 0, -12)})
	for j := range b.Plates {
		b.Plates[j].InServiceFrom = begin.AddDate(0, 0, -30-r.IntN(400))
	}
	extra := func(n int, from, retired time.Time) {
		b.Plates = append(b.Plates, farm.Plate{Tag: fmt.Sprintf("L-%d", n), Surface: "pei_textured", SizeXMM: 220, SizeYMM: 220, InServiceFrom: from, RetiredAt: retired})
	}
	extra(227, begin.AddDate(-2, 0, 0), begin.AddDate(0, 0, -5))
	extra(228, begin.AddDate(-2, 0, 0), begin.AddDate(0, 0, 33))
	extra(229, begin.AddDate(-1, 0, 0), time.Time{})
	extra(230, instant(d.now).AddDate(0, 0, -2), time.Time{})

	b.Materials = append(b.Materials, farm.Material{Name: "PC", Polymer: "PC", BedTempC: 108, Note: "trial spools, not in use yet"})
	for m := range b.Materials {
		if b.Materials[m].Name == "PA12" {
			b.Materials[m].Note = "dry for 8 hours before use"
		}
	}
	for g := range b.People {
		b.People[g].Name = demoCrew[g][1]
	}
	b.People = append(b.People, demoOffice...)

	// Turn 0 is the night before the first morning; a week is planned ahead.
	for turn := int64(0); turn <= f.turn(d.now)+21; turn++ {
		from := f.begin + turn*8*hourMicros - 2*hourMicros
		shift := int((turn + 2) % 3)
		for n := range 3 {
			bay := ""
			if shift != night && n < 2 {
				bay = demoBays[(n+int(turn))%len(demoBays)]
			}
			who := demoCrew[3*shift+n][0]
			b.Shifts = append(b.Shifts, farm.Shift{Shift: fmt.Sprintf("%s-%s", instant(from).Format("20060102-15"), who), Person: who,
				StartsAt: instant(from), EndsAt: instant(from + 8*hourMicros), Bay: bay})
		}
	}
	now := instant(d.now).Truncate(24 * time.Hour)
	b.Instruments = []farm.Instrument{
		{Instrument: "MIC-1", Kind: "micrometer", ResolutionMM: 0.001, UncertaintyMM: 0.003, CheckedAt: now.AddDate(0, -4, 0), CheckDue: now.AddDate(0, 8, 0), CheckResult: "good"},
		{Instrument: "MIC-2", Kind: "micrometer", ResolutionMM: 0.001, UncertaintyMM: 0.004, CheckedAt: now.AddDate(-1, 0, -6), CheckDue: now.AddDate(0, 0, -6), CheckResult: "good"},
		{Instrument: "CAL-1", Kind: "caliper", ResolutionMM: 0.01, UncertaintyMM: 0.03, CheckedAt: now.AddDate(0, -2, 0), CheckDue: now.AddDate(0, 10, 0), CheckResult: "bad"},
		{Instrument: "SCALE-1", Kind: "scale", ResolutionMM: farm.Unknown(), UncertaintyMM: farm.Unknown(), CheckedAt: now.AddDate(0, -1, 0), CheckDue: now.AddDate(0, 11, 0), CheckResult: "good"},
	}
	number := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
	b.Settings = []farm.Setting{{Key: "currency", Value: "EUR"}, {Key: "failure_labour_minutes", Value: "7"}, {Key: "failure_material", Value: "0.60"},
		{Key: "failure_minutes", Value: "28"}, {Key: "labour_per_hour", Value: "24"}, {Key: "look_share", Value: number(100 * demoLookShare)}, {Key: "lot_limit", Value: number(demoLotLimit)},
		{Key: "machine_per_hour", Value: "2.80"}, {Key: "time_zone", Value: demoZone}}
}

// demoFailureCost is what a failed first layer costs by these settings.
const demoFailureCost = (28*2.80+7*24)/60 + 0.60
