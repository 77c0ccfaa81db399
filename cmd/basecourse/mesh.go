package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"
	"text/tabwriter"

	"basecourse/internal/bed"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

type meshCmd struct {
	File     string   `arg:"" help:"File with the mesh; - is standard input."`
	Format   string   `enum:"text,json" default:"text" help:"text or json."`
	FirstRow string   `enum:",front,back" default:"" placeholder:"front|back" help:"Which row of the bed the text's first row is, where the text does not say."`
	BedXMM   *float64 `name:"bed-x-mm" placeholder:"MM" help:"Width of the bed: heights lie evenly on it."`
	BedYMM   *float64 `name:"bed-y-mm" placeholder:"MM" help:"Depth of the bed."`
	MarginMM *float64 `name:"margin-mm" placeholder:"MM" help:"How far inside the bed's edges the outer heights lie (default 0)."`
}

// Help is shown by --help.
func (meshCmd) Help() string {
	return fmt.Sprintf(`Read a bed mesh as a printer writes it: rows of heights in mm, with brackets, bars, names and numbers of rows and columns, time stamps; JSON; or lines of x, y and height. Says range, tilt and what is left over. At most %d KiB, %d columns and %d rows, heights from -5 to 5 mm.

Examples:

    basecourse mesh bed.txt --first-row front
    basecourse mesh bed.txt --first-row back --bed-x-mm 250 --bed-y-mm 250 --margin-mm 15 --format json`, intake.MostMeshBytes>>10, intake.MostMeshSide, intake.MostMeshSide)
}

// meshAnswer is what mesh prints as JSON.
type meshAnswer struct {
	Columns       int       `json:"columns"`
	Rows          int       `json:"rows"`
	XMM           []number  `json:"x_mm"`
	YMM           []number  `json:"y_mm"`
	HeightsMM     []*number `json:"heights_mm"`
	FirstRow      string    `json:"first_row"`
	RangeMM       *number   `json:"range_mm"`
	RMSMM         *number   `json:"rms_mm"`
	TiltX         *number   `json:"tilt_x_mm_per_m"`
	TiltY         *number   `json:"tilt_y_mm_per_m"`
	ResidualRMSMM *number   `json:"residual_rms_mm"`
}

// Run reads the file and prints the mesh.
func (c meshCmd) Run(a *app) error {
	if (c.BedXMM == nil) != (c.BedYMM == nil) || c.MarginMM != nil && c.BedXMM == nil {
		return fault.Misused("--bed-x-mm and --bed-y-mm go together, and --margin-mm with them")
	}
	text, err := c.read(a)
	if err != nil {
		return err
	}
	found, err := intake.ReadMeshText(text)
	if err != nil {
		return c.inFile(err)
	}
	if found.Says == intake.RowCoordinates && c.FirstRow != "" {
		return fault.Misused("--first-row %s: %s tells positions, which decide where each height lies", c.FirstRow, c.File)
	}
	m, err := found.Place(c.FirstRow)
	if err != nil {
		var refusal *fault.Error
		if errors.As(err, &refusal) && c.FirstRow == "" {
			return fault.New(fault.Invalid, "%s does not say which row of the bed its first row is; say so with --first-row front or --first-row back", c.File)
		}
		return c.inFile(err)
	}
	if c.BedXMM != nil {
		margin := 0.0
		if c.MarginMM != nil {
			margin = *c.MarginMM
		}
		if err := m.Spread(*c.BedXMM, *c.BedYMM, margin); err != nil {
			if found.Says == intake.RowCoordinates {
				return c.inFile(err)
			}
			return flagsMisused(err)
		}
	}
	shape := bed.Mesh{XMM: m.XMM, YMM: m.YMM, Columns: m.Columns, Rows: m.Rows, HeightsMM: m.HeightsMM}.Shape()
	if c.Format == "json" {
		out, err := json.MarshalIndent(answerOf(&m, &shape), "", "  ")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(a.stdout, "%s\n", out)
		return err
	}
	return meshInWords(a, &m, &shape)
}

// read reads the file, no more than a mesh may have.
func (c meshCmd) read(a *app) (string, error) {
	in := a.stdin
	if c.File != "-" {
		f, err := os.Open(c.File)
		if err != nil {
			return "", fault.Wrap(fault.NotFound, err, "cannot read the mesh")
		}
		defer func() { _ = f.Close() }()
		in = f
	}
	text, err := io.ReadAll(io.LimitReader(in, intake.MostMeshBytes+1))
	if err != nil {
		return "", fault.Wrap(fault.Invalid, err, "cannot read the mesh")
	}
	return string(text), nil
}

// inFile names the file a refusal is about.
func (c meshCmd) inFile(err error) error {
	var refusal *fault.Error
	if !errors.As(err, &refusal) {
		return err
	}
	out := *refusal
	out.Problems = nil
	for _, p := range refusal.Problems {
		p.File = c.File
		out.Problems = append(out.Problems, p)
	}
	if out.Detail == "" {
		out.Detail = "no mesh can be read"
	}
	return &out
}

func known(x float64) *number {
	if math.IsNaN(x) {
		return nil
	}
	n := number(x)
	return &n
}

func answerOf(m *intake.Mesh, s *bed.MeshShape) meshAnswer {
	out := meshAnswer{Columns: m.Columns, Rows: m.Rows, FirstRow: m.FirstRow, RangeMM: known(s.RangeMM), RMSMM: known(s.RMSMM),
		TiltX: known(s.TiltXMMPerM), TiltY: known(s.TiltYMMPerM), ResidualRMSMM: known(s.ResidualRMSMM)}
	for _, x := range m.XMM {
		out.XMM = append(out.XMM, number(x))
	}
	for _, y := range m.YMM {
		out.YMM = append(out.YMM, number(y))
	}
	for _, z := range m.HeightsMM {
		out.HeightsMM = append(out.HeightsMM, known(z))
	}
	return out
}

func meshInWords(a *app, m *intake.Mesh, s *bed.MeshShape) error {
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	order := map[string]string{intake.RowFront: "the text's first row is the front", intake.RowBack: "the text's first row is the back", intake.RowCoordinates: "placed by the positions in the text"}
	fmt.Fprintf(w, "Mesh\t%d columns × %d rows, %s\n", m.Columns, m.Rows, order[m.FirstRow])
	if s.Known < len(m.HeightsMM) {
		fmt.Fprintf(w, "Missing\t%d of %d points\n", len(m.HeightsMM)-s.Known, len(m.HeightsMM))
	}
	fmt.Fprintf(w, "Range\t%.3f mm, from %s to %s\n", s.RangeMM, signed(s.LowMM), signed(s.HighMM))
	fmt.Fprintf(w, "Spread\t%.3f mm RMS about the mean of %s mm\n", s.RMSMM, signed(s.MeanMM))
	switch {
	case m.XMM == nil:
		fmt.Fprintf(w, "Tilt\tnot in mm/m: positions are not known (--bed-x-mm, --bed-y-mm)\n")
	case math.IsNaN(s.TiltXMMPerM):
		fmt.Fprintf(w, "Tilt\tcannot tell: too few points\n")
	default:
		fmt.Fprintf(w, "Tilt\t%.3f mm/m, %s side higher; %.3f mm/m, %s higher\n", math.Abs(s.TiltXMMPerM), side(s.TiltXMMPerM, "right", "left"), math.Abs(s.TiltYMMPerM), side(s.TiltYMMPerM, "back", "front"))
	}
	if !math.IsNaN(s.ResidualRMSMM) {
		fmt.Fprintf(w, "Left over\t%.3f mm RMS beside the plane\n", s.ResidualRMSMM)
	}
	if !math.IsNaN(s.BowXMM) {
		fmt.Fprintf(w, "Bow\t%.3f mm, middle %s than left and right; %.3f mm, middle %s than front and back\n", math.Abs(s.BowXMM), side(s.BowXMM, "higher", "lower"), math.Abs(s.BowYMM), side(s.BowYMM, "higher", "lower"))
		fmt.Fprintf(w, "Twist\t%.3f mm, front left and back right %s\n", math.Abs(s.TwistMM), side(s.TwistMM, "higher", "lower"))
	}
	if !math.IsNaN(s.StepMM) {
		fmt.Fprintf(w, "Largest step\t%.3f mm between neighbours, at column %d, row %d from the front left\n", s.StepMM, s.StepColumn+1, s.StepRow+1)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "\nHeights in mm, seen from the front and above: the last line is the bed's front.\n\n")
	w = tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', tabwriter.AlignRight)
	for r := m.Rows - 1; r >= 0; r-- {
		fmt.Fprintf(w, "row %d", r+1)
		for c := range m.Columns {
			z := m.HeightsMM[r*m.Columns+c]
			word := "n/a"
			if !math.IsNaN(z) {
				word = signed(z)
			}
			fmt.Fprintf(w, "\t%s", word)
		}
		fmt.Fprintf(w, "\t\n")
	}
	return w.Flush()
}

func side(x float64, positive, negative string) string {
	if x < 0 {
		return negative
	}
	return positive
}

// signed writes a height with three decimals and its sign.
func signed(x float64) string {
	s := strconv.FormatFloat(x, 'f', 3, 64)
	if !strings.HasPrefix(s, "-") && strings.Trim(s, "0.") != "" {
		s = "+" + s
	}
	return s
}
