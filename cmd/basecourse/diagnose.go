package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
	"basecourse/internal/intake"
	"basecourse/internal/store"
)

type diagnoseCmd struct {
	Format string `enum:"text,json" default:"text" help:"text or json."`
	Farm   bool   `help:"Go by the farm: its over-bonding table, its cautions, and what became of its layers. Without it the standard ones; no database is needed."`
}

// Help is shown by --help.
func (diagnoseCmd) Help() string {
	return `Say what a first layer tells and what to do about it. Reads one first layer as a JSON object from standard input: the fields of first_layers.csv (none is required), bed_x_mm, bed_y_mm, zone_cols, zone_rows, z_step_mm, running, and context with what is known around it: skipped_probing, plate_swapped, serviced, prints_since_probe, hours_since_probe, prints_since_clean, days_since_clean, underside, surface, polymer, patch_mass_g, patch_area_mm2, density_g_cm3, bed_temp_c, minutes_since_print, washed_plate_at_hand, what the height book says (pair_move_mm, plate_thicker_mm, each with _low and _high, plate_thicker_than), how the latest mesh leans (mesh_tilt_x_mm_per_m, mesh_tilt_y_mm_per_m, > 0 where right or back is higher), and earlier first layers, the oldest first.

Examples:

    echo '{"grade":"failed","marks":"A1:nozzle_low:2 B1:nozzle_low:2 C1:nozzle_low:1","context":{"skipped_probing":true}}' | basecourse diagnose
    basecourse diagnose --format json < layer.json
    basecourse diagnose --farm < layer.json`
}

type diagnosis struct {
	Causes   []diagnosedCause   `json:"causes"`
	Advice   []diagnosedAdvice  `json:"advice"`
	Estimate *diagnosedEstimate `json:"estimate"`
	Sure     string             `json:"sure"`
	Because  string             `json:"because"`
	Change   string             `json:"would_change"`
}

type diagnosedCause struct {
	Cause   firstlayer.Cause `json:"cause"`
	Sure    string           `json:"sure"`
	Because string           `json:"because"`
	Against string           `json:"against"`
}

type diagnosedAdvice struct {
	Action         firstlayer.Action `json:"action"`
	Do             string            `json:"do"`
	NozzleMoveMM   *number           `json:"nozzle_move_mm"`
	NozzleMoveLow  *number           `json:"nozzle_move_low"`
	NozzleMoveHigh *number           `json:"nozzle_move_high"`
	Safety         *string           `json:"safety"`
}

type diagnosedEstimate struct {
	OffsetMM   number  `json:"offset_mm"`
	OffsetLow  number  `json:"offset_low"`
	OffsetHigh number  `json:"offset_high"`
	TiltX      *number `json:"tilt_x_mm_per_m"`
	TiltY      *number `json:"tilt_y_mm_per_m"`
}

// Run reads a first layer and prints what it tells.
func (d diagnoseCmd) Run(a *app) error {
	text, err := io.ReadAll(io.LimitReader(a.stdin, intake.MostCaseBytes+1))
	if err != nil {
		return fault.Wrap(fault.Invalid, err, "cannot read the first layer")
	}
	c, err := intake.ParseCase(text)
	if err != nil {
		return err
	}
	if d.Farm {
		if err := a.withStore(false, func(st *store.Store) error {
			settings, err := st.Settings(a.ctx)
			if err != nil {
				return err
			}
			c.Farm, err = newFindings(st).Farm(a.ctx, st.Now(), settings, store.DataVersion{})
			return err
		}); err != nil {
			return err
		}
	}
	found, err := firstlayer.Diagnose(c)
	if err != nil {
		return pointed(err)
	}
	if d.Format == "json" {
		out, err := json.MarshalIndent(diagnosisOf(&found), "", "  ")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(a.stdout, "%s\n", out)
		return err
	}
	return diagnosisInWords(a.stdout, &found)
}

// pointed says a refusal of columns by JSON pointers.
func pointed(err error) error {
	var refusal *fault.Error
	if !errors.As(err, &refusal) {
		return err
	}
	out := *refusal
	out.Problems = nil
	for _, p := range refusal.Problems {
		p.Pointer, p.Column = "/"+p.Column, ""
		out.Problems = append(out.Problems, p)
	}
	return &out
}

func diagnosisOf(found *firstlayer.Answer) diagnosis {
	out := diagnosis{Causes: []diagnosedCause{}, Advice: []diagnosedAdvice{}, Sure: found.Sure, Because: found.Because, Change: found.WouldChange}
	for _, r := range found.Causes {
		out.Causes = append(out.Causes, diagnosedCause{r.Cause, r.Sure, r.Because, r.Against})
	}
	for _, x := range found.Advice {
		one := diagnosedAdvice{Action: x.Action, Do: x.Do, NozzleMoveMM: known(x.MoveMM), NozzleMoveLow: known(x.LowMM), NozzleMoveHigh: known(x.HighMM)}
		if x.Safety != "" {
			one.Safety = &x.Safety
		}
		out.Advice = append(out.Advice, one)
	}
	if e := found.Estimate; e != nil {
		out.Estimate = &diagnosedEstimate{number(e.OffsetMM), number(e.LowMM), number(e.HighMM), known(e.TiltXMMPerM), known(e.TiltYMMPerM)}
	}
	return out
}

func diagnosisInWords(w io.Writer, found *firstlayer.Answer) error {
	var b strings.Builder
	said := map[string]bool{}
	for _, x := range found.Advice {
		if x.Safety != "" && !said[x.Safety] {
			said[x.Safety] = true
			fmt.Fprintf(&b, "Caution: %s\n", x.Safety)
		}
	}
	for i, x := range found.Advice {
		fmt.Fprintf(&b, "%d. %s\n", i+1, x.Do)
	}
	line := func(word, text string) {
		if text != "" {
			fmt.Fprintf(&b, "%s: %s\n", word, text)
		}
	}
	line("Because", found.Because)
	line("How sure", strings.ReplaceAll(found.Sure, "_", " "))
	line("Would change it", found.WouldChange)
	b.WriteString("\nCauses, the likeliest first:\n")
	for _, r := range found.Causes {
		fmt.Fprintf(&b, "  %s (%s)\n", strings.ReplaceAll(string(r.Cause), "_", " "), strings.ReplaceAll(r.Sure, "_", " "))
		for _, x := range [][2]string{{"for", r.Because}, {"against", r.Against}} {
			if x[1] != "" {
				fmt.Fprintf(&b, "    %s: %s\n", x[0], x[1])
			}
		}
	}
	if e := found.Estimate; e != nil {
		way := "high"
		if e.OffsetMM < 0 {
			way = "low"
		}
		fmt.Fprintf(&b, "\nNozzle %.3f mm too %s at the bed's centre (between %s and %s mm)", math.Abs(e.OffsetMM), way, signed(e.LowMM), signed(e.HighMM))
		if !math.IsNaN(e.TiltXMMPerM) {
			fmt.Fprintf(&b, "; the bed falls %s mm/m to the right, %s mm/m to the back", signed(e.TiltXMMPerM), signed(e.TiltYMMPerM))
		}
		b.WriteString(".\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}
