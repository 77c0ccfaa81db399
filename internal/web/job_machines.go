package web

import (
	"context"
	"math"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/planning"
	"basecourse/internal/stats"
	"basecourse/internal/store"
	"basecourse/views"
)

// jobFarm is the farm as jobs are set on it: every printer with its plate, what
// it prints, its care and its chances.
type jobFarm struct {
	frame   store.Frame
	now     time.Time
	zone    *time.Location
	rows    []store.FloorPrinter
	byTag   map[string]*store.FloorPrinter
	found   *FindingList
	beds    map[string]store.Room
	plates  map[string]store.Room
	care    map[string]*store.PrinterCare
	running map[string]store.Running // by printer
	kept    map[string][]planning.Machine
}

// jobFarm reads it.
func (s *Server) jobFarm(ctx context.Context, now time.Time) (*jobFarm, error) {
	frame, err := s.store.Frame(ctx, now)
	if err != nil {
		return nil, err
	}
	stands, found, err := s.stands(ctx, frame, now, "")
	if err != nil {
		return nil, err
	}
	f := &jobFarm{frame: frame, now: now, zone: frame.Settings.Zone(), found: found, rows: make([]store.FloorPrinter, len(stands)),
		byTag: map[string]*store.FloorPrinter{}, care: map[string]*store.PrinterCare{}, running: map[string]store.Running{}, kept: map[string][]planning.Machine{}}
	for i := range stands {
		f.rows[i] = stands[i].row
		f.byTag[f.rows[i].Printer] = &f.rows[i]
	}
	if f.beds, f.plates, err = s.store.Rooms(ctx); err != nil {
		return nil, err
	}
	// Care tells which probes are void, so a list and a job's page say the same.
	window := time.Duration(frame.Settings.Number("start_window_minutes") * float64(time.Minute))
	list, err := s.store.PrintersCare(ctx, now, window)
	if err != nil {
		return nil, err
	}
	for i := range list {
		f.care[list[i].Printer] = &list[i]
	}
	running, err := s.store.Running(ctx, now)
	for _, r := range running {
		f.running[r.Printer] = r
	}
	return f, err
}

// risk gives a printer's chances with a material. Where it did not run that
// material lately, those with its last one stand in and same is false.
func (f *jobFarm) risk(printer, material string) (r Risk, same, known bool) {
	list := f.found.Risks[printer]
	for _, x := range list {
		if x.Material == material || material == "" && x.Last {
			return x, true, true
		}
	}
	if r = f.found.nextRisk(printer); r.Last {
		return r, false, true
	}
	return r, false, false
}

// preps are what may be done before a start, by what the settings say it costs.
// Without a forecast there is only the farm's own rate.
func (f *jobFarm) preps(printer, material string) []planning.Prep {
	r, _, known := f.risk(printer, material)
	if !known {
		if f.found.Graded == 0 {
			return nil
		}
		w := stats.Wilson(f.found.Failures, f.found.Graded, 0.95)
		return []planning.Prep{{Odds: planning.Odds{P: float64(f.found.Failures) / float64(f.found.Graded), Low: w.Low, High: w.High}}}
	}
	price := func(act string) float64 {
		v := f.frame.Settings
		return v.Number(act+"_minutes")/60*v.Number("labour_per_hour") + v.Number(act+"_machine_minutes")/60*v.Number("machine_per_hour")
	}
	wipe, probe := price("wipe"), price("probe")
	return []planning.Prep{{Do: "", Odds: planning.Odds(r.Now)}, {Do: "clean", Cost: wipe, Odds: planning.Odds(r.Cleaned)},
		{Do: "probe", Cost: probe, Odds: planning.Odds(r.Probed)}, {Do: "both", Cost: wipe + probe, Odds: planning.Odds(r.Both)}}
}

// machines are the printers as planning wants them, for a material.
func (f *jobFarm) machines(material string) []planning.Machine {
	if list, ok := f.kept[material]; ok {
		return list
	}
	list := make([]planning.Machine, 0, len(f.rows))
	nowhere := store.Room{XMM: math.NaN(), YMM: math.NaN()}
	for i := range f.rows {
		x := &f.rows[i]
		bed, ok := f.beds[x.Printer]
		if !ok {
			bed = nowhere
		}
		plate, ok := f.plates[x.Plate]
		if !ok {
			plate = nowhere
		}
		m := planning.Machine{Printer: x.Printer, Plate: x.Plate, Surface: plate.Surface, BedXMM: bed.XMM, BedYMM: bed.YMM, PlateXMM: plate.XMM, PlateYMM: plate.YMM,
			Held: x.HeldAt != nil, Why: x.HeldReason, PlateHeld: x.PlateHeldAt != nil, PlateWhy: x.PlateReason, PlateState: x.PlateState,
			Preps: f.preps(x.Printer, material), FailCost: f.frame.Settings.FailureCost(), SurfaceWord: func(code string) string { return wordFor(surfaceWords, code) }}
		_, same, known := f.risk(x.Printer, material)
		m.Ran = same && known
		if c := f.care[x.Printer]; c != nil && len(m.Preps) > 1 {
			m.Stale = c.LastProbe != nil && (c.Swapped != nil || c.Serviced != nil)
		}
		switch {
		case x.RetiredAt != nil && !x.RetiredAt.After(f.now):
			m.Out = "retired"
		case x.InServiceFrom != nil && x.InServiceFrom.After(f.now):
			m.Out = "in service from " + clock(*x.InServiceFrom, f.zone)
		}
		if r, ok := f.running[x.Printer]; ok {
			m.Busy = f.hour(r.Until)
		}
		list = append(list, m)
	}
	f.kept[material] = list
	return list
}

// hour writes the time alone where it is today's.
func (f *jobFarm) hour(t time.Time) string {
	if a, b := t.In(f.zone), f.now.In(f.zone); a.YearDay() == b.YearDay() && a.Year() == b.Year() {
		return a.Format("15:04")
	}
	return clock(t, f.zone)
}

// mostMachines is how many machines the number to start is worked out over; the
// dearer ones are taken when their turn comes again.
const mostMachines = 200

// order is what a job still wants, started on the machines given in their order.
func (f *jobFarm) order(j *farm.Job, n store.JobCount, fit []planning.Match, confidence float64) planning.Order {
	o := planning.Order{Needed: max(needed(j)-(n.Graded-n.Failures), 0), Confidence: confidence, Spares: f.spares(j)}
	for _, m := range fit[:min(len(fit), mostMachines)] {
		if !math.IsNaN(m.Cost) {
			o.Next = append(o.Next, m.Best.Odds)
		}
	}
	if len(o.Next) == 0 {
		return o
	}
	// Which machines the starts not graded yet lie on matters little beside how
	// uncertain their chances are: the dearest fit machine stands for them.
	for range min(n.Open, planning.MostStarts) {
		o.UnderWay = append(o.UnderWay, o.Next[len(o.Next)-1])
	}
	return o
}

// spares prices a good one too many (the machine's hours and a start's material)
// and a missing one, made after the others: a person's minutes for one more
// start, and lateness as far as the second round ends after the due date.
func (f *jobFarm) spares(j *farm.Job) (p planning.Spares) {
	v := f.frame.Settings
	p.Later = (v.Number("swap_minutes") + v.Number("check_minutes")) / 60 * v.Number("labour_per_hour")
	if !farm.Known(j.HoursPerPlate) {
		return p
	}
	p.Spare = j.HoursPerPlate*v.Number("machine_per_hour") + v.Number("failure_material")
	if farm.Known(j.LateFeePerHour) && !j.Due.IsZero() {
		late := f.now.Add(time.Duration(2 * j.HoursPerPlate * float64(time.Hour))).Sub(j.Due).Hours()
		p.Late = j.LateFeePerHour * min(max(late, 0), j.HoursPerPlate)
	}
	return p
}

// ready says in one line how a printer stands for its next start, from what is
// recorded since it was probed and its plate cleaned.
func (f *jobFarm) ready(m *planning.Match) views.State {
	x, c := f.byTag[m.Machine.Printer], f.care[m.Machine.Printer]
	stale := func(word string) views.State {
		return views.State{Code: "stale", Word: word, Sign: "half", Tone: "soon"}
	}
	if c == nil || c.LastProbe == nil {
		if c != nil && c.Recorded == "none" {
			return views.State{Code: "no_record", Word: "Its probes are not recorded; " + cleanedSince(x), Sign: "dots"}
		}
		return views.State{Code: "no_record", Word: "No record of a probe; " + cleanedSince(x), Sign: "dots"}
	}
	switch {
	case c.Swapped != nil && (c.Serviced == nil || c.Swapped.After(*c.Serviced)):
		return stale("Plate swapped " + f.hour(*c.Swapped) + ": probe again")
	case c.Serviced != nil:
		return stale(sentenceCase(wordFor(workWords, c.Work)) + " " + f.hour(*c.Serviced) + ": probe again")
	case c.OffsetAt != nil && c.OffsetAt.After(*c.LastProbe):
		return stale("Offset changed " + f.hour(*c.OffsetAt) + ": look at the next layer")
	case c.Since != nil && *c.Since == 0 && x.SinceClean != nil && *x.SinceClean == 0 && x.LastCleaned != nil:
		at := *c.LastProbe
		if x.LastCleaned.After(at) {
			at = *x.LastCleaned
		}
		return views.State{Code: "done", Word: "Prepped " + f.hour(at) + ", nothing changed since"}
	}
	word := "Probed " + f.hour(*c.LastProbe)
	if c.Since != nil && *c.Since > 0 {
		word = counted(*c.Since, "start", "starts") + " since the probe"
	}
	word += "; " + cleanedSince(x)
	if m.Best.Do == "" {
		return views.State{Code: "not_needed", Word: word}
	}
	return views.State{Code: "needed", Word: word, Sign: "clock", Tone: "soon"}
}

func cleanedSince(x *store.FloorPrinter) string {
	switch {
	case x.Plate == "":
		return "no plate known on it"
	case x.SinceClean == nil:
		return "no record of a cleaning of " + x.Plate
	case *x.SinceClean == 0:
		return x.Plate + " just cleaned"
	}
	return counted(*x.SinceClean, "print", "prints") + " since " + x.Plate + " was cleaned"
}
