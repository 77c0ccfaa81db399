package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// profileFlags are the flags of a first layer's profile; nil is the default.
type profileFlags struct {
	LayerHeightMM *float64 `name:"layer-height-mm" placeholder:"MM" help:"Height of the first layer (default 0.20)."`
	LineWidthMM   *float64 `name:"line-width-mm" placeholder:"MM" help:"Width of a line at that height (default 0.45)."`
	LinePitchMM   *float64 `name:"line-pitch-mm" placeholder:"MM" help:"Distance between lines (default: width − height × 0.215, lines that just fill the layer)."`
}

func (f profileFlags) profile(overfill *float64) (bed.Profile, error) {
	p, err := bed.NewProfile(given(f.LayerHeightMM, farm.DefaultLayerHeightMM), given(f.LineWidthMM, farm.DefaultLineWidthMM),
		given(f.LinePitchMM, math.NaN()), given(overfill, math.NaN()))
	return p, flagsMisused(err)
}

func given(flag *float64, otherwise float64) float64 {
	if flag == nil {
		return otherwise
	}
	return *flag
}

// flagsMisused says a refusal of fields by the flags that gave them.
func flagsMisused(err error) error {
	var refusal *fault.Error
	if !errors.As(err, &refusal) || len(refusal.Problems) == 0 {
		return err
	}
	var all []string
	for _, p := range refusal.Problems {
		all = append(all, fmt.Sprintf("--%s: found %s, expected %s", strings.ReplaceAll(p.Column, "_", "-"), fault.Quote(p.Found), p.Expected))
	}
	return fault.Misused("%s", strings.Join(all, "; "))
}

type beadCmd struct {
	Format string `enum:"text,json" default:"text" help:"text or json."`
	profileFlags
	OverfillLimit *float64  `placeholder:"SHARE" help:"Overfill at the lower edge of the band (default 0.25: a quarter too much)."`
	StrandGapMM   *float64  `name:"strand-gap-mm" placeholder:"MM" help:"A slit seen between lines: say the gap it means."`
	GapMM         []float64 `name:"gap-mm" placeholder:"MM" help:"Say what lines look like at these gaps, by commas (default: around the band)."`
}

// Help is shown by --help.
func (beadCmd) Help() string {
	return `What a line of the first layer looks like when the nozzle is too low or too high: overfill, line width, the slit between lines, the range of gaps in between, and where a line loses hold. From the cross-section alone; real lines differ with speed and temperature.

Examples:

    basecourse bead
    basecourse bead --layer-height-mm 0.25 --line-width-mm 0.5 --format json
    basecourse bead --strand-gap-mm 0.03`
}

// beadAnswer is what bead prints as JSON.
type beadAnswer struct {
	LayerHeightMM number     `json:"layer_height_mm"`
	LineWidthMM   number     `json:"line_width_mm"`
	LinePitchMM   number     `json:"line_pitch_mm"`
	OverfillLimit number     `json:"overfill_limit"`
	AreaMM2       number     `json:"area_mm2"`
	BandLowMM     number     `json:"band_low_mm"`
	BandMiddleMM  number     `json:"band_middle_mm"`
	BandHighMM    number     `json:"band_high_mm"`
	SlitsOpenMM   *number    `json:"slits_open_mm"` // null: lines touch until they lose hold
	HoldLostMM    number     `json:"hold_lost_mm"`
	At            []beadAt   `json:"at"`
	Seen          *beadSlits `json:"seen"`
}

// beadAt is a line at one gap.
type beadAt struct {
	GapMM       number `json:"gap_mm"`
	Overfill    number `json:"overfill"`
	WidthMM     number `json:"width_mm"`
	ThicknessMM number `json:"thickness_mm"`
	StrandGapMM number `json:"strand_gap_mm"`
}

// beadSlits is the gap a seen slit means.
type beadSlits struct {
	StrandGapMM number    `json:"strand_gap_mm"`
	GapMM       number    `json:"gap_mm"`
	Is          bed.Bound `json:"is"`
}

// number prints with six significant digits.
type number float64

// MarshalJSON writes the number plainly.
func (n number) MarshalJSON() ([]byte, error) {
	x, err := strconv.ParseFloat(strconv.FormatFloat(float64(n), 'g', 6, 64), 64)
	if err != nil {
		return nil, err
	}
	return json.Marshal(x)
}

// Run prints the model.
func (c beadCmd) Run(a *app) error {
	p, err := c.profile(c.OverfillLimit)
	if err != nil {
		return err
	}
	b := p.Band()
	gaps := c.GapMM
	if gaps == nil {
		gaps = []float64{0.6 * p.HeightMM, 0.75 * p.HeightMM, b.LowMM, b.MiddleMM(), p.HeightMM, b.HighMM, (b.HighMM + b.HoldMM) / 2, b.HoldMM}
	}
	answer := beadAnswer{number(p.HeightMM), number(p.WidthMM), number(p.PitchMM), number(p.OverfillLimit), number(p.AreaMM2()),
		number(b.LowMM), number(b.MiddleMM()), number(b.HighMM), nil, number(b.HoldMM), nil, nil}
	if !math.IsNaN(b.OpensMM) {
		n := number(b.OpensMM)
		answer.SlitsOpenMM = &n
	}
	for _, g := range gaps {
		if !(g >= 0.01 && g <= 5) {
			return fault.Misused("--gap-mm: found %g, expected 0.01 to 5 mm", g)
		}
		answer.At = append(answer.At, beadAt{number(g), number(p.Overfill(g)), number(p.BeadWidthMM(g)), number(p.BeadThicknessMM(g)), number(p.StrandGapMM(g))})
	}
	if c.StrandGapMM != nil {
		g, is, err := p.GapOfStrandGap(*c.StrandGapMM)
		if err != nil {
			return flagsMisused(err)
		}
		answer.Seen = &beadSlits{number(*c.StrandGapMM), number(g), is}
	}
	if c.Format == "json" {
		out, err := json.MarshalIndent(answer, "", "  ")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(a.stdout, "%s\n", out)
		return err
	}
	return answer.text(a)
}

var boundWords = map[bed.Bound]string{bed.Exactly: "", bed.AtMost: "at most ", bed.AtLeast: "at least "}

func (b beadAnswer) text(a *app) error {
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintf(w, "Profile\t%.2f mm high, lines %.2f mm wide, %.3f mm apart, %.4f mm² each\n", b.LayerHeightMM, b.LineWidthMM, b.LinePitchMM, b.AreaMM2)
	fmt.Fprintf(w, "Band\t%.3f to %.3f mm, middle %.3f mm\n", b.BandLowMM, b.BandHighMM, b.BandMiddleMM)
	fmt.Fprintf(w, "Below it\tmore than %.0f %% too much plastic: ridges\n", 100*b.OverfillLimit)
	if b.SlitsOpenMM != nil {
		fmt.Fprintf(w, "Above it\tslits open between lines\n")
	} else {
		fmt.Fprintf(w, "Above it\tlines touch, but lie round and lose hold\n")
	}
	fmt.Fprintf(w, "From %.3f mm\tnothing presses the line on: it has lost hold\n", b.HoldLostMM)
	if s := b.Seen; s != nil {
		fmt.Fprintf(w, "A slit of %.3f mm\ta gap of %s%.3f mm; the nozzle stands %s%.3f mm above the middle of the band\n", s.StrandGapMM, boundWords[s.Is], s.GapMM, boundWords[s.Is], s.GapMM-b.BandMiddleMM)
	}
	fmt.Fprintf(w, "\nGap, mm\tOverfill, %%\tWidth, mm\tThickness, mm\tSlit, mm\n")
	for _, x := range b.At {
		fmt.Fprintf(w, "%.3f\t%.0f\t%.3f\t%.3f\t%.3f\n", x.GapMM, 100*x.Overfill, x.WidthMM, x.ThicknessMM, x.StrandGapMM)
	}
	return w.Flush()
}
