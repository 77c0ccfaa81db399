package intake

import (
	"encoding/json"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
)

// MostCaseBytes is how large a first layer with its context may be.
const MostCaseBytes = 1 << 20

// mostEarlier is how many earlier layers a case may bring.
const mostEarlier = 500

// ParseCase reads one first layer with its context, as the command diagnose takes
// it: a JSON object with the fields of first_layers.csv, none of them required,
// the printer's bed, and what is known around the layer. Problems carry JSON
// pointers. Nothing depends on the clock.
func ParseCase(body []byte) (*firstlayer.Case, error) {
	if len(body) > MostCaseBytes {
		return nil, fault.New(fault.TooLarge, "a first layer and its context take at most %d KiB", MostCaseBytes>>10)
	}
	if !utf8.Valid(body) {
		return nil, fault.New(fault.Invalid, "the first layer is not UTF-8")
	}
	r := &caseReader{p: newParser(time.Date(9000, 1, 1, 0, 0, 0, 0, time.UTC)), t: TableOf(farm.KindFirstLayer), c: firstlayer.NewCase()}
	c := &r.c
	members, err := object(body)
	if err != nil {
		return nil, fault.At(fault.Problem{Pointer: "", Found: fault.Shorten(string(body)), Expected: "one JSON object with a first layer: " + err.Error()})
	}
	c.ZoneCols, c.ZoneRows = 3, 3
	var context json.RawMessage
	r.object("", members, &c.Layer, map[string]func(raw json.RawMessage, at string){
		"bed_x_mm":  r.number(&c.BedXMM, 50, 2000),
		"bed_y_mm":  r.number(&c.BedYMM, 50, 2000),
		"z_step_mm": r.number(&c.ZStepMM, 0.001, 1),
		"zone_cols": r.whole(&c.ZoneCols, 1, 9),
		"zone_rows": r.whole(&c.ZoneRows, 1, 9),
		"running":   r.boolean(func(yes bool) { c.Running = yes }),
		"context":   func(raw json.RawMessage, at string) { context = raw },
	})
	r.onGrid("", &c.Layer)
	if context != nil {
		r.context(context)
	}
	if len(r.problems) > 0 {
		return nil, fault.At(r.problems...)
	}
	return c, nil
}

type caseReader struct {
	p        *parser
	t        *Table
	c        firstlayer.Case
	problems []fault.Problem
}

func (r *caseReader) add(at, found, expected string) {
	if len(r.problems) < 100 {
		r.problems = append(r.problems, fault.Problem{Pointer: at, Found: fault.Shorten(found), Expected: expected})
	}
}

// object reads the members of a first layer and those that stand beside it.
func (r *caseReader) object(at string, members []member, l *farm.FirstLayer, beside map[string]func(raw json.RawMessage, at string)) {
	for _, m := range members {
		if string(m.raw) == "null" || string(m.raw) == `""` {
			if r.t.Field(m.name) < 0 && beside[m.name] == nil && m.name != "id" {
				r.add(at+"/"+escape(m.name), m.name, r.names(beside))
			}
			continue
		}
		if read := beside[m.name]; read != nil {
			read(m.raw, at+"/"+m.name)
			continue
		}
		name := m.name
		if name == "id" {
			name = "first_layer"
		}
		i := r.t.Field(name)
		if i < 0 {
			r.add(at+"/"+escape(m.name), m.name, r.names(beside))
			continue
		}
		f := &r.t.Fields[i]
		if f.Type == Ident {
			r.ident(f, m, at, l)
			continue
		}
		r.p.value(r.t, f, m.raw, l, at+"/"+m.name, r.add)
	}
	for _, q := range r.t.check(l) {
		r.add(at+"/"+q.Field, q.Found, q.Expected)
	}
}

func (r *caseReader) ident(f *Field, m member, at string, l *farm.FirstLayer) {
	s, err := str(m.raw)
	if err == nil {
		var id farm.ID
		if id, err = farm.NewID(farm.KindFirstLayer, s); err == nil {
			*f.at(l).(*farm.ID) = id
		}
	}
	if err != nil {
		r.add(at+"/"+m.name, string(m.raw), "an id of 1 to 64 characters without control characters and without blanks at its ends")
	}
}

func (r *caseReader) names(beside map[string]func(raw json.RawMessage, at string)) string {
	names := make([]string, 0, len(beside)+len(r.t.Fields))
	for name := range beside {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, f := range r.t.Fields {
		names = append(names, f.Name)
	}
	return "one of the fields " + strings.Join(names, " ")
}

// onGrid refuses zones the printer's grid does not have.
func (r *caseReader) onGrid(at string, l *farm.FirstLayer) {
	cols, rows := r.c.ZoneCols, r.c.ZoneRows
	grid := "a zone of the grid of " + strconv.Itoa(cols) + " × " + strconv.Itoa(rows)
	for _, m := range l.Marks {
		if !m.Zone.In(cols, rows) {
			r.add(at+"/marks", m.Zone.Text(), grid)
		}
	}
	for _, m := range l.Readings {
		if !m.Zone.In(cols, rows) {
			r.add(at+"/readings", m.Zone.Text(), grid)
		}
	}
	for _, z := range l.Covered {
		if !z.In(cols, rows) {
			r.add(at+"/covered", z.Text(), grid)
		}
	}
}

func (r *caseReader) context(raw json.RawMessage) {
	const at = "/context"
	x := &r.c.Context
	members, err := object(raw)
	if err != nil {
		r.add(at, string(raw), "an object: "+err.Error())
		return
	}
	most := math.MaxFloat64
	read := map[string]func(raw json.RawMessage, at string){
		"skipped_probing":      r.yesNo(&x.Skipped),
		"plate_swapped":        r.yesNo(&x.Swapped),
		"serviced":             r.yesNo(&x.Serviced),
		"prints_since_probe":   r.number(&x.PrintsSinceProbe, 0, most),
		"hours_since_probe":    r.number(&x.HoursSince, 0, most),
		"prints_since_clean":   r.number(&x.PrintsSinceClean, 0, most),
		"days_since_clean":     r.number(&x.DaysSinceClean, 0, most),
		"underside":            r.code(&x.Underside, farm.Undersides),
		"surface":              r.code(&x.Surface, farm.Surfaces),
		"polymer":              r.text(&x.Polymer),
		"patch_mass_g":         r.number(&x.PatchMassG, 0, most),
		"patch_area_mm2":       r.number(&x.PatchAreaMM2, 0, most),
		"density_g_cm3":        r.number(&x.DensityGCM3, 0, 25),
		"bed_temp_c":           r.number(&x.BedTempC, -50, 200),
		"minutes_since_print":  r.number(&x.MinutesSincePrint, 0, most),
		"washed_plate_at_hand": r.yesNo(&x.WashedPlateAtHand),
		"pair_move_mm":         r.number(&x.PairMove.MM, -5, 5),
		"pair_move_low":        r.number(&x.PairMove.LowMM, -5, 5),
		"pair_move_high":       r.number(&x.PairMove.HighMM, -5, 5),
		"plate_thicker_mm":     r.number(&x.Thicker.MM, -5, 5),
		"plate_thicker_low":    r.number(&x.Thicker.LowMM, -5, 5),
		"plate_thicker_high":   r.number(&x.Thicker.HighMM, -5, 5),
		"plate_thicker_than":   r.text(&x.ThickerThan),
		"mesh_tilt_x_mm_per_m": r.number(&x.MeshTiltXMMPerM, -1000, 1000),
		"mesh_tilt_y_mm_per_m": r.number(&x.MeshTiltYMMPerM, -1000, 1000),
		"earlier":              r.earlier,
	}
	for _, m := range members {
		take := read[m.name]
		switch {
		case take == nil:
			names := make([]string, 0, len(read))
			for name := range read {
				names = append(names, name)
			}
			slices.Sort(names)
			r.add(at+"/"+escape(m.name), m.name, "one of "+strings.Join(names, " "))
		case string(m.raw) != "null":
			take(m.raw, at+"/"+m.name)
		}
	}
	for name, i := range map[string]*firstlayer.Interval{"pair_move": &x.PairMove, "plate_thicker": &x.Thicker} {
		if i.Known() && !(i.LowMM <= i.MM && i.MM <= i.HighMM) {
			r.add(at+"/"+name+"_mm", "no interval round it", "with "+name+"_low below and "+name+"_high above it")
		}
	}
}

func (r *caseReader) earlier(raw json.RawMessage, at string) {
	list, err := array(raw)
	if err != nil || len(list) > mostEarlier {
		r.add(at, string(raw), "a list of at most "+strconv.Itoa(mostEarlier)+" first layers, the oldest first")
		return
	}
	for i, raw := range list {
		e := firstlayer.Earlier{Layer: firstlayer.EmptyLayer(), PrintsSinceClean: math.NaN()}
		here := at + "/" + strconv.Itoa(i)
		members, err := object(raw)
		if err != nil {
			r.add(here, string(raw), "an object with a first layer: "+err.Error())
			continue
		}
		var done bool
		r.object(here, members, &e.Layer, map[string]func(raw json.RawMessage, at string){
			"same_printer":       r.yesNo(&e.SamePrinter),
			"same_plate":         r.yesNo(&e.SamePlate),
			"skipped_probing":    r.yesNo(&e.Skipped),
			"prints_since_clean": r.number(&e.PrintsSinceClean, 0, math.MaxFloat64),
			"advised":            r.actions(&e.Advised),
			"done": func(raw json.RawMessage, at string) {
				if string(raw) == "true" || string(raw) == "false" {
					done = string(raw) == "true"
					return
				}
				r.actions(&e.Done)(raw, at)
			},
		})
		if done {
			e.Done = e.Advised
		}
		// The printer's grid is that of the layer asked about; another printer may
		// have another one.
		if e.SamePrinter == "yes" {
			r.onGrid(here, &e.Layer)
		}
		r.c.Context.Earlier = append(r.c.Context.Earlier, e)
	}
}

func (r *caseReader) number(into *float64, least, most float64) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		x, ok := farm.ParseNumber(string(raw))
		if !ok || x < least || x > most {
			expected := "a number of at least " + strconv.FormatFloat(least, 'g', -1, 64)
			if most < 1e300 {
				expected = "a number from " + strconv.FormatFloat(least, 'g', -1, 64) + " to " + strconv.FormatFloat(most, 'g', -1, 64)
			}
			r.add(at, string(raw), expected)
			return
		}
		*into = x
	}
}

func (r *caseReader) whole(into *int, least, most int) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		x, err := strconv.Atoi(string(raw))
		if err != nil || x < least || x > most {
			r.add(at, string(raw), "a whole number from "+strconv.Itoa(least)+" to "+strconv.Itoa(most))
			return
		}
		*into = x
	}
}

func (r *caseReader) boolean(take func(bool)) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		switch string(raw) {
		case "true":
			take(true)
		case "false":
			take(false)
		default:
			r.add(at, string(raw), "true or false")
		}
	}
}

func (r *caseReader) yesNo(into *string) func(raw json.RawMessage, at string) {
	return r.boolean(func(yes bool) {
		*into = "no"
		if yes {
			*into = "yes"
		}
	})
}

func (r *caseReader) text(into *string) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		s, err := str(raw)
		if err != nil || len(s) > 200 {
			r.add(at, string(raw), "a short text")
			return
		}
		*into = s
	}
}

func (r *caseReader) code(into *string, codes []string) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		s, err := str(raw)
		if err != nil || s != "" && !slices.Contains(codes, s) {
			r.add(at, string(raw), "one of "+strings.Join(codes, " "))
			return
		}
		*into = s
	}
}

// actions reads one action, several by blanks, or a list of them.
func (r *caseReader) actions(into *[]firstlayer.Action) func(raw json.RawMessage, at string) {
	return func(raw json.RawMessage, at string) {
		var words []string
		if s, err := str(raw); err == nil {
			words = strings.Fields(s)
		} else if list, err := array(raw); err == nil {
			for _, e := range list {
				s, err := str(e)
				if err != nil {
					s = string(e)
				}
				words = append(words, s)
			}
		} else {
			words = []string{string(raw)}
		}
		for _, w := range words {
			a := firstlayer.Action(w)
			if !slices.Contains(firstlayer.Actions, a) {
				all := make([]string, len(firstlayer.Actions))
				for i, x := range firstlayer.Actions {
					all[i] = string(x)
				}
				r.add(at, w, "one of "+strings.Join(all, " "))
				return
			}
			*into = append(*into, a)
		}
	}
}
