package assess

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"math"
	"sync"
	"time"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/store"
)

// HeightWindow is how far back from midnight the height book looks: a zero has
// wandered and a plate worn since.
const HeightWindow = 180 * 24 * time.Hour

// HeightBook is what the farm's layers tell of printers' zeros and plates'
// thicknesses as of a time. It is shared: nobody may change it.
type HeightBook struct {
	AsOf     time.Time
	Book     *bed.HeightBook
	Printers []store.HeightPrinter // by number in Book, in the order of their tags
	Plates   []string              // tags, likewise
	Layers   int                   // layers and kept offset changes it rests on
	Framed   int                   // printers whose zero is the frame, not retired
	Parts    bed.HeightParts

	aims          []float64 // by printer: aim minus layer height, of its latest profile
	printer       map[string]int
	plate         map[string]int
	begin         time.Time
	rowsOfVersion store.DataVersion
}

// Why nothing is expected of a pair.
const (
	HeightNoPrinter    = "no_printer"    // nobody knows the printer
	HeightZeroOnPlate  = "zero_on_plate" // the zero is taken from the plate in place: thickness cancels
	HeightZeroNotSaid  = "zero_not_said"
	HeightNotMeasured  = "not_measured"  // no layer of the printer tells
	HeightPlateUnknown = "plate_unknown" // no layer of the plate tells
	HeightApart        = "apart"         // both were measured, but no chain of layers connects them
)

// PrinterNumber and PlateNumber find a tag's number in the book; -1 none.
func (h *HeightBook) PrinterNumber(tag string) int { return numberOf(h.printer, tag) }

// PlateNumber finds a plate's number; -1 none.
func (h *HeightBook) PlateNumber(tag string) int { return numberOf(h.plate, tag) }

func numberOf(of map[string]int, tag string) int {
	if i, ok := of[tag]; ok {
		return i
	}
	return -1
}

// When is an instant of the book.
func (h *HeightBook) When(day float64) time.Time {
	return h.begin.Add(time.Duration(day * float64(24*time.Hour))).Round(time.Second)
}

// Printer tells whether a printer's zero is in the book; else why not.
func (h *HeightBook) Printer(tag string) (zero bed.PrinterZero, why string) {
	i := h.PrinterNumber(tag)
	switch {
	case i < 0:
		return zero, HeightNoPrinter
	case h.Printers[i].ZeroFrom == "plate":
		return zero, HeightZeroOnPlate
	case h.Printers[i].ZeroFrom == "":
		return zero, HeightZeroNotSaid
	case h.Book.Printers[i].Group < 0:
		return zero, HeightNotMeasured
	}
	return h.Book.Printers[i], ""
}

// Expect gives the nozzle move a pair will need to stand in the middle of the
// band of the printer's latest profile; else why nothing is expected. The side
// is "a", "b" or "" not said.
func (h *HeightBook) Expect(printer, plate, side string) (bed.HeightMove, string) {
	if _, why := h.Printer(printer); why != "" {
		return bed.HeightMove{}, why
	}
	i, j := h.PrinterNumber(printer), h.PlateNumber(plate)
	m, ok := h.Book.Expect(i, j, sideByte(side), h.aims[i])
	switch {
	case ok:
		return m, ""
	case len(h.Sides(plate)) == 0:
		return m, HeightPlateUnknown
	}
	return m, HeightApart
}

// Differ tells how much thicker a plate's side is than another's.
func (h *HeightBook) Differ(plate, side, than, thanSide string) (bed.HeightGap, bool) {
	return h.Book.Differ(h.PlateNumber(plate), sideByte(side), h.PlateNumber(than), sideByte(thanSide))
}

// Sides are the measured sides of a plate.
func (h *HeightBook) Sides(plate string) (out []bed.PlateSide) {
	j := h.PlateNumber(plate)
	if j < 0 {
		return nil
	}
	for _, side := range []byte{'a', 'b', 0} {
		if s, ok := h.Book.Side(j, side); ok {
			out = append(out, s)
		}
	}
	return out
}

func sideByte(side string) byte {
	if side == "" {
		return 0
	}
	return side[0]
}

// heightsKeep keeps the latest height book and what its parts were estimated
// from.
type heightsKeep struct {
	mu     sync.Mutex
	book   *HeightBook
	took   time.Duration
	done   time.Time
	flight *heightFlight

	partsOf [32]byte
	parts   bed.HeightParts
}

type heightFlight struct {
	done chan struct{}
	book *HeightBook
	err  error
}

// Heights gives the height book as of now. Like Latest it may be that of a
// moment ago where making it takes long; it is made anew when something was
// written or an hour has passed. The parts (how much zeros drift, plates
// differ, layers scatter) are estimated from what was known at the last
// midnight, and kept.
func (a *Assessor) Heights(ctx context.Context, now time.Time, seen store.DataVersion) (*HeightBook, error) {
	if seen.IsZero() {
		var err error
		if seen, err = a.store.DataVersion(ctx); err != nil {
			return nil, err
		}
	}
	k := &a.heights
	k.mu.Lock()
	old := k.book
	fresh := old != nil && old.rowsOfVersion == seen && now.Sub(old.AsOf) < time.Hour && !now.Before(old.AsOf)
	patient := old != nil && k.took > slow && !now.Before(old.AsOf)
	if fresh || patient && k.flight == nil && time.Since(k.done) < rest*k.took {
		k.mu.Unlock()
		return old, nil
	}
	f := k.flight
	if f == nil {
		f = &heightFlight{done: make(chan struct{})}
		k.flight = f
		go a.makeHeights(f, now)
	}
	k.mu.Unlock()
	if patient {
		return old, nil
	}
	select {
	case <-f.done:
		return f.book, f.err
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (a *Assessor) makeHeights(f *heightFlight, now time.Time) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	begun := time.Now()
	f.book, f.err = a.heightBook(ctx, now)
	k := &a.heights
	k.mu.Lock()
	k.flight = nil
	if f.err == nil {
		k.book, k.took, k.done = f.book, time.Since(begun), time.Now()
	}
	k.mu.Unlock()
	close(f.done)
}

func (a *Assessor) heightBook(ctx context.Context, now time.Time) (*HeightBook, error) {
	settings, err := a.store.Settings(ctx)
	if err != nil {
		return nil, err
	}
	midnight := lastMidnight(now, settings.Zone())
	begin := midnight.Add(-HeightWindow)
	rows, err := a.store.Heights(ctx, begin, now)
	if err != nil {
		return nil, err
	}
	h := &HeightBook{AsOf: now, Printers: rows.Printers, Plates: rows.Plates, begin: begin, rowsOfVersion: rows.Version,
		printer: map[string]int{}, plate: map[string]int{}, aims: make([]float64, len(rows.Printers))}
	for i, p := range rows.Printers {
		h.printer[p.Tag] = i
		if p.ZeroFrom == "frame" && !p.Retired {
			h.Framed++
		}
	}
	for j, tag := range rows.Plates {
		h.plate[tag] = j
	}
	in := h.input(rows)
	h.Layers = len(in.Layers)
	in.Parts = a.heightParts(in, h.day(midnight))
	h.Parts = in.Parts
	h.Book = bed.SolveHeights(in)
	return h, nil
}

func (h *HeightBook) day(t time.Time) float64 { return t.Sub(h.begin).Hours() / 24 }

// input turns rows into what the model takes.
func (h *HeightBook) input(rows *store.HeightRows) bed.HeightInput {
	in := bed.HeightInput{Printers: len(rows.Printers), Plates: len(rows.Plates), Day: h.day(h.AsOf)}
	usual, _ := bed.NewProfile(farm.DefaultLayerHeightMM, farm.DefaultLineWidthMM, math.NaN(), math.NaN())
	for i := range h.aims {
		h.aims[i] = bed.AimErrorMM(usual)
	}
	for i := range rows.Layers {
		l := &rows.Layers[i]
		profile, ok := heightProfile(l.HeightMM, l.WidthMM, l.PitchMM)
		if !ok {
			continue
		}
		h.aims[l.Printer] = bed.AimErrorMM(profile)
		if mm, sd, ok := heightOf(l, &rows.Printers[l.Printer], profile); ok {
			in.Layers = append(in.Layers, bed.HeightLayer{Printer: l.Printer, Plate: l.Plate, Side: sideByte(l.Side), Day: h.day(l.At), ErrorMM: mm, SDMM: sd})
		}
	}
	next := map[int]time.Time{} // the change after one, going backwards
	for i := len(rows.Offsets) - 1; i >= 0; i-- {
		o := &rows.Offsets[i]
		in.Events = append(in.Events, bed.HeightEvent{Printer: o.Printer, Day: h.day(o.At), Kind: bed.HeightOffset, FromMM: orNaN(o.FromMM), ToMM: o.ToMM})
		later, again := next[o.Printer]
		next[o.Printer] = o.At
		if o.StartedAt == nil || o.Plate < 0 || o.Said || o.At.Before(h.begin) || again && later.Before(*o.StartedAt) {
			continue
		}
		if profile, ok := heightProfile(o.HeightMM, o.WidthMM, o.PitchMM); ok {
			mm, sd := bed.KeptOffset(profile)
			in.Layers = append(in.Layers, bed.HeightLayer{Printer: o.Printer, Plate: o.Plate, Side: sideByte(o.Side), Day: h.day(*o.StartedAt), ErrorMM: mm, SDMM: sd})
		}
	}
	for _, m := range rows.Moved {
		e := bed.HeightEvent{Printer: m.Printer, Day: h.day(m.At), Kind: bed.HeightService, FromMM: math.NaN(), ToMM: math.NaN()}
		if m.Probe {
			e.Kind = bed.HeightProbe
		}
		in.Events = append(in.Events, e)
	}
	return in
}

func heightProfile(height, width, pitch *float64) (bed.Profile, bool) {
	h, w := farm.DefaultLayerHeightMM, farm.DefaultLineWidthMM
	if height != nil {
		h = *height
	}
	if width != nil {
		w = *width
	}
	p, err := bed.NewProfile(h, w, orNaN(pitch), math.NaN())
	return p, err == nil
}

func orNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// heightOf is what a layer says of its height.
func heightOf(l *store.HeightLayer, p *store.HeightPrinter, profile bed.Profile) (mm, sd float64, ok bool) {
	grid := bed.Grid{BedXMM: p.BedXMM, BedYMM: p.BedYMM, Cols: p.Cols, Rows: p.Rows}
	in := bed.Input{Profile: profile, Grid: grid, Gauge: bed.DefaultGauge(), Assume: bed.DefaultAssumptions()}
	if l.ResolutionMM != nil {
		in.Gauge.ResolutionMM = *l.ResolutionMM
	}
	if l.UncertaintyMM != nil {
		in.Gauge.UncertaintyMM = *l.UncertaintyMM
	}
	readings, _, _ := farm.ParseReadings(l.Readings)
	for _, r := range readings {
		if z := (bed.Zone{Col: int(r.Zone.Col), Row: int(r.Zone.Row)}); grid.Holds(z) {
			in.Readings = append(in.Readings, bed.Reading{Zone: z, MM: r.MM, Patch: r.Patch})
		}
	}
	return bed.HeightError(in, orNaN(l.NudgeMM))
}

// heightParts gives the parts estimated from what was known at a midnight.
func (a *Assessor) heightParts(in bed.HeightInput, midnight float64) bed.HeightParts {
	past := in
	past.Layers, past.Events = nil, nil
	hash := sha256.New()
	var buf [8]byte
	put := func(values ...float64) {
		for _, v := range values {
			binary.LittleEndian.PutUint64(buf[:], math.Float64bits(v))
			hash.Write(buf[:])
		}
	}
	for _, l := range in.Layers {
		if l.Day <= midnight {
			past.Layers = append(past.Layers, l)
			put(float64(l.Printer), float64(l.Plate), float64(l.Side), l.Day, l.ErrorMM, l.SDMM)
		}
	}
	for _, e := range in.Events {
		if e.Day <= midnight {
			past.Events = append(past.Events, e)
			put(float64(e.Printer), float64(e.Kind), e.Day, e.FromMM, e.ToMM)
		}
	}
	past.Day = midnight
	key := [32]byte(hash.Sum(nil))
	k := &a.heights
	k.mu.Lock()
	same, parts := k.partsOf == key, k.parts
	k.mu.Unlock()
	if same {
		return parts
	}
	parts = bed.EstimateHeightParts(past)
	k.mu.Lock()
	k.partsOf, k.parts = key, parts
	k.mu.Unlock()
	return parts
}
