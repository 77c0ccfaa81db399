package web

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/bed"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// meshScaleMM is the fixed scale of every map of heights: from here on a cell
// has a border.
const meshScaleMM = 0.10

// meshRows is how many meshes of a printer's history stand on one page.
const meshRows = 50

// probePage is a probe's page while it is put together.
type probePage struct {
	probe *farm.Probe
	mesh  bed.Mesh
	has   bool // it has a mesh
	study *assess.MeshStudy
	zone  *time.Location
	now   time.Time
}

// openProbe reads the probe an address names, and what its printer's meshes say
// as of now.
func (s *Server) openProbe(c echo.Context) (*probePage, error) {
	text, err := tagParam(c, "id")
	if err != nil {
		return nil, err
	}
	id, err := farm.NewID(farm.KindProbe, text)
	if err != nil || id.IsZero() {
		return nil, fault.New(fault.NotFound, "There is no probe %s.", fault.Quote(text))
	}
	ctx := c.Request().Context()
	record, err := s.store.Event(ctx, farm.KindProbe, id)
	if err != nil {
		return nil, err
	}
	p := &probePage{probe: record.(*farm.Probe), now: s.now()}
	frame, err := s.store.Frame(ctx, p.now)
	if err != nil {
		return nil, err
	}
	p.zone = frame.Settings.Zone()
	p.mesh = meshOf(p.probe)
	for _, z := range p.probe.HeightsMM {
		p.has = p.has || farm.Known(z)
	}
	p.study, err = s.meshStudy(ctx, p.probe.Printer, p.now)
	return p, err
}

func meshOf(p *farm.Probe) bed.Mesh {
	known := func(x float64) *float64 {
		if !farm.Known(x) {
			return nil
		}
		return &x
	}
	return assess.ProbeMesh(&store.MeshProbe{Columns: p.Columns, Rows: p.Rows, HeightsMM: p.HeightsMM,
		XMinMM: known(p.XMinMM), XMaxMM: known(p.XMaxMM), YMinMM: known(p.YMinMM), YMaxMM: known(p.YMaxMM)})
}

func (s *Server) getProbe() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "earlier", "from"); err != nil {
			return err
		}
		p, err := s.openProbe(c)
		if err != nil {
			return err
		}
		from := 0
		if text := c.QueryParam("from"); text != "" {
			if from, err = strconv.Atoi(text); err != nil || from < 0 || from > assess.MostMeshes {
				return badRequest(fault.Problem{Column: "from", Found: text, Expected: "a number from 0 to " + strconv.Itoa(assess.MostMeshes)})
			}
		}
		page := s.probeView(p)
		page.Shell = withClock(s.shell(c, "Probe of "+p.probe.Printer+", "+clock(p.probe.ProbedAt, p.zone), "/upkeep"), p.now, p.zone)
		if err := s.fillAgainst(&page, p, c.QueryParam("earlier")); err != nil {
			return err
		}
		s.fillMeshHistory(&page, p, from)
		return render(c, http.StatusOK, views.Mesh(page))
	}
}

// getProbeCSV gives the heights as a table: place, column, row, height.
func (s *Server) getProbeCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		p, err := s.openProbe(c)
		if err != nil {
			return err
		}
		rows := [][]string{{"column", "row", "x_mm", "y_mm", "height_mm"}}
		for i, z := range p.mesh.HeightsMM {
			col, row := i%p.mesh.Columns, i/p.mesh.Columns
			x, y := math.NaN(), math.NaN()
			if p.mesh.Located() {
				x, y = p.mesh.XMM[col], p.mesh.YMM[row]
			}
			rows = append(rows, []string{strconv.Itoa(col + 1), strconv.Itoa(row + 1), num(x), num(y), num(z)})
		}
		return writeNumbers(c, "mesh-"+p.probe.ProbedAt.In(p.zone).Format("2006-01-02-1504")+".csv", rows)
	}
}

// probeView says what the probe's record and mesh are.
func (s *Server) probeView(p *probePage) views.MeshPage {
	r := p.probe
	page := views.MeshPage{Crumbs: []views.Fact{{Value: r.Printer, Href: s.url("/printers/" + url.PathEscape(r.Printer))}}, State: extentWord(r.Extent)}
	if r.Plate != "" {
		page.Crumbs = append(page.Crumbs, views.Fact{Value: r.Plate, Href: s.url("/plates/" + url.PathEscape(r.Plate))})
	}
	if !r.VoidedAt.IsZero() {
		page.Voided = "Voided " + clock(r.VoidedAt, p.zone)
		if r.VoidReason != "" {
			page.Voided += ": " + r.VoidReason
		}
	}
	known := func(x float64, unit string) string {
		if !farm.Known(x) {
			return "no record"
		}
		return figure(x) + thin + unit
	}
	page.Facts = []views.Fact{{Word: "Probed", Value: clock(r.ProbedAt, p.zone), Note: ago(r.ProbedAt, p.now)}, {Word: "Plate", Value: orNoRecord(r.Plate), Note: sideWords(r.PlateSide, r.PlateTurned)},
		{Word: "Bed", Value: known(r.BedTempC, "°C")}, {Word: "Soaked", Value: known(r.SoakMinutes, "min")}, {Word: "By", Value: orNoRecord(r.Person)}}
	if r.InUse == "no" {
		page.Notices = append(page.Notices, "The printer does not use this mesh.")
	}
	page.Part = s.meshPart(p.study, p.zone)
	if !p.has {
		page.Empty = "No mesh was kept with this probe. Paste one when the next probe is logged: it shows the bed’s shape and how long a probe holds."
		return page
	}
	shape := p.mesh.Shape()
	page.Facts = append(page.Facts, shapeFacts(p.mesh, shape)...)
	page.CSV = s.url("/probes/" + r.ID.UUID.String() + "/mesh.csv")
	page.Map = meshMap("map", "Heights against the printer’s zero", p.mesh)
	page.Profile = meshProfile(p.mesh)
	if i := p.index(); i > 0 && p.study.Records[i].CopyOf(p.study.Records[i-1].Mesh) {
		page.Notices = append(page.Notices, "The same digits in every point as the probe before: reported again, not measured anew. It is left out where meshes are compared.")
	}
	return page
}

// index is the probe's place among its printer's meshes; -1 when it is not
// among them.
func (p *probePage) index() int {
	for i := range p.study.Probes {
		if p.study.Probes[i].ID == p.probe.ID.UUID {
			return i
		}
	}
	return -1
}

// higherMM says an amount and which side is higher.
func higherMM(x float64, positive, negative string) string {
	if math.Abs(x) < 0.005 {
		return "level"
	}
	side := positive
	if x < 0 {
		side = negative
	}
	return mm(math.Abs(x)) + ", " + side + " higher"
}

// shapeFacts say a mesh's shape.
func shapeFacts(m bed.Mesh, s bed.MeshShape) []views.Fact {
	facts := []views.Fact{{Word: "Mesh", Value: count(m.Columns) + " × " + count(m.Rows)},
		{Word: "Range", Value: mm(s.RangeMM), Note: rangeNote(s.RangeMM)}, {Word: "Mean", Value: mm(s.MeanMM), Note: "against the printer’s zero"}, {Word: "Spread", Value: mm(s.RMSMM), Note: "RMS about the mean"}}
	if s.Known < len(m.HeightsMM) {
		facts[0].Note = count(len(m.HeightsMM)-s.Known) + " of " + count(len(m.HeightsMM)) + " points missing"
	}
	if m.Located() && farm.Known(s.TiltXMMPerM) {
		wide, deep := (m.XMM[m.Columns-1]-m.XMM[0])/1000, (m.YMM[m.Rows-1]-m.YMM[0])/1000
		facts = append(facts, views.Fact{Word: "Tilt, left to right", Value: higherMM(s.TiltXMMPerM*wide, "right", "left"), Note: "over the probed area; screws or gantry"},
			views.Fact{Word: "Tilt, front to back", Value: higherMM(s.TiltYMMPerM*deep, "back", "front")})
	} else {
		facts = append(facts, views.Fact{Word: "Tilt", Value: "no record", Note: "where the points lie on the bed is not known"})
	}
	if farm.Known(s.ResidualRMSMM) {
		facts = append(facts, views.Fact{Word: "Left over", Value: mm(s.ResidualRMSMM), Note: "RMS beside the plane; the mesh makes up for it"})
	}
	if farm.Known(s.BowXMM) {
		facts = append(facts, views.Fact{Word: "Bow, left to right", Value: bowWord(s.BowXMM)}, views.Fact{Word: "Bow, front to back", Value: bowWord(s.BowYMM)},
			views.Fact{Word: "Twist", Value: higherMM(s.TwistMM, "front left and back right", "front right and back left")})
	}
	if farm.Known(s.StepMM) {
		step := views.Fact{Word: "Largest step", Value: mm(s.StepMM), Note: fmt.Sprintf("between neighbours at column %d, row %d", s.StepColumn+1, s.StepRow+1)}
		if s.StepMM > 0.10 {
			step.Note += "; look for debris or a dented plate there"
		}
		facts = append(facts, step)
	}
	return facts
}

// rangeNote is common practice on beds of about 220 mm, no source.
func rangeNote(mm float64) string {
	switch {
	case mm < 0.10:
		return "under 0.10 is very even"
	case mm <= 0.20:
		return "0.10 to 0.20 is usual"
	case mm <= 0.40:
		return "0.20 to 0.40 works with a mesh; plan tramming"
	}
	return "over 0.40: tram first"
}

func bowWord(x float64) string {
	if math.Abs(x) < 0.005 {
		return "flat"
	}
	if x > 0 {
		return mm(x) + ", middle higher"
	}
	return mm(-x) + ", middle lower"
}

// meshMap draws heights, or their change, around 0.
func meshMap(id, title string, m bed.Mesh) views.MeshMap {
	out := views.MeshMap{ID: id, Title: title, Sub: "mm, seen from the front and above",
		Legend: "▲ orange is high, ▼ purple is low, from 0.02" + thin + "mm on; deeper from 0.05 and 0.08. A border: beyond 0.10" + thin + "mm. Hatched: missing."}
	for r := m.Rows - 1; r >= 0; r-- {
		var row []views.MeshCell
		for c := range m.Columns {
			z := m.HeightsMM[r*m.Columns+c]
			cell := views.MeshCell{Place: fmt.Sprintf("column %d, row %d", c+1, r+1), Word: "–", None: !farm.Known(z)}
			if place := cornerWord(c, r, m.Columns, m.Rows); place != "" {
				cell.Place += ", " + place
			}
			if !cell.None {
				cell.Word = strings.TrimSuffix(mm(z), thin+"mm")
				a := math.Abs(math.Round(z*100) / 100)
				for _, from := range []float64{0.02, 0.05, 0.08} {
					if a >= from {
						cell.Level++
					}
				}
				if cell.Level > 0 {
					cell.Sign = "▲"
					if z < 0 {
						cell.Sign, cell.Level = "▼", -cell.Level
					}
				}
				cell.Out = a > meshScaleMM
			}
			row = append(row, cell)
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func cornerWord(c, r, columns, rows int) string {
	var words []string
	switch r {
	case 0:
		words = append(words, "front")
	case rows - 1:
		words = append(words, "back")
	}
	switch c {
	case 0:
		words = append(words, "left")
	case columns - 1:
		words = append(words, "right")
	}
	return strings.Join(words, " ")
}

// fillAgainst compares with the earlier probe chosen in the address; with the
// one before where none is chosen.
func (s *Server) fillAgainst(page *views.MeshPage, p *probePage, chosen string) error {
	if !p.has {
		return nil
	}
	page.Against.Action = s.url("/probes/" + p.probe.ID.UUID.String())
	if chosen != "" {
		if _, err := uuid.FromString(chosen); err != nil {
			return badRequest(fault.Problem{Column: "earlier", Found: chosen, Expected: "the id of an earlier probe of this printer"})
		}
	}
	var before *store.MeshProbe
	for i := len(p.study.Probes) - 1; i >= 0; i-- {
		o := &p.study.Probes[i]
		if !o.At.Before(p.probe.ProbedAt) {
			continue
		}
		id := o.ID.String()
		if before == nil && chosen == "" || id == chosen {
			before = o
		}
		page.Against.Options = append(page.Against.Options, views.Option{Value: id, Word: clock(o.At, p.zone) + ", " + count(o.Columns) + " × " + count(o.Rows), Chosen: before == o})
	}
	switch {
	case before == nil && chosen != "":
		return fault.New(fault.NotFound, "There is no earlier mesh %s of printer %s.", fault.Quote(chosen), p.probe.Printer)
	case before == nil:
		page.Against.Empty = "This is the printer’s first mesh. From the next on, what changed stands here."
		return nil
	}
	d, ok := p.mesh.Against(assess.ProbeMesh(before))
	if !ok {
		page.Against.Empty = "The two meshes have no three points in common: they lie elsewhere on the bed, or where is not known."
		return nil
	}
	page.Against.Facts = changeFacts(p.mesh, &d)
	page.Against.Map = meshMap("change", "Change since "+clock(before.At, p.zone), d.Change)
	return nil
}

func changeFacts(m bed.Mesh, d *bed.MeshChange) []views.Fact {
	shift := "none to speak of"
	if math.Abs(d.ShiftMM) >= 0.005 {
		shift = mm(math.Abs(d.ShiftMM)) + " " + upDown(d.ShiftMM)
	}
	facts := []views.Fact{{Word: "Shift", Value: shift, Note: "all points together: zero, plate or height"}}
	if farm.Known(d.TiltXMMPerM) {
		wide, deep := (m.XMM[m.Columns-1]-m.XMM[0])/1000, (m.YMM[m.Rows-1]-m.YMM[0])/1000
		facts = append(facts, views.Fact{Word: "Tilt, left to right", Value: higherMM(d.TiltXMMPerM*wide, "right", "left"), Note: "screws or gantry"}, views.Fact{Word: "Tilt, front to back", Value: higherMM(d.TiltYMMPerM*deep, "back", "front")})
	} else {
		facts = append(facts, views.Fact{Word: "Tilt", Value: mm(d.TiltRMSMM), Note: "RMS"})
	}
	facts = append(facts, views.Fact{Word: "Shape", Value: mm(d.ShapeRMSMM), Note: "RMS of what is left: bend, debris, probe error"}, views.Fact{Word: "Largest", Value: mm(d.LargestMM)})
	points := views.Fact{Word: "Compared", Value: count(d.Points) + " of " + count(d.Of) + " points"}
	if d.Interpolated {
		points.Note = "the earlier mesh had its points elsewhere; read between them"
	}
	return append(facts, points)
}

func upDown(x float64) string {
	if x < 0 {
		return "lower"
	}
	return "higher"
}
