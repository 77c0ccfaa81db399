package web

import (
	"bytes"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/firstlayer"
	"basecourse/internal/printable"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

var couponSteps = []string{
	"Print it where it lies: neither turned nor scaled, with your usual first-layer speed and temperatures.",
	"Let it cool on the plate, then peel. A warm layer stretches and reads thin.",
	"Measure each stripe near its middle with a micrometer, ratchet always, three times. Stripes follow the nozzle's height.",
	"Look at the patches, but do not judge height by their thickness: when the nozzle is low they still read about the layer height.",
	"Weigh it if you can. Right mass and thin stripes: the nozzle is low. Light: it is under-fed.",
	"Enter the readings with the first layer, zone by zone, by the addresses in the print.",
}

// couponAsked are the numbers of a printer's coupon, with the printer's latest
// profile where the address does not say.
func (s *Server) couponAsked(c echo.Context, tag string, others ...string) (*farm.Printer, numbersForm, error) {
	height, width, density := heightField, widthField, densityField
	if err := onlyParams(c, append(others, height.name, width.name, density.name)...); err != nil {
		return nil, numbersForm{}, err
	}
	ctx := c.Request().Context()
	p, err := s.store.PrinterByTag(ctx, tag)
	if err != nil {
		return nil, numbersForm{}, err
	}
	h, w, _, err := s.store.LatestProfile(ctx, tag)
	if err != nil {
		return nil, numbersForm{}, err
	}
	if farm.Known(h) {
		height.otherwise = h
	}
	if farm.Known(w) {
		width.otherwise = w
	}
	return p, readNumbers(c, height, width, density), nil
}

func (f *numbersForm) coupon(p *farm.Printer) (*printable.Coupon, error) {
	return printable.ForPrinter(p, f.values["layer_height_mm"], f.values["line_width_mm"], farm.Unknown())
}

func (s *Server) getCoupon() echo.HandlerFunc {
	return func(c echo.Context) error {
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		printer, f, err := s.couponAsked(c, tag)
		if err != nil {
			return err
		}
		settings, err := s.store.Settings(c.Request().Context())
		if err != nil {
			return err
		}
		says := firstlayer.FarmOf(settings, nil)
		here := "/printers/" + url.PathEscape(tag)
		p := views.CouponPage{Tag: tag, Crumb: s.url(here), Action: s.url(here + "/coupon"), Caution: says.Caution(firstlayer.Hot),
			Lead: "A test print one layer high: in every zone a stripe to measure the nozzle's height on, a patch to look at, and the zone's address."}
		if len(f.problems) == 0 {
			coupon, err := f.coupon(printer)
			switch {
			case err == nil:
				s.fillCoupon(&p, here, coupon, &f)
			case fault.Is(err, fault.Invalid) && !f.refuse(err):
				f.fields[1].Wrong = sentence(err.Error())
				f.problems = append(f.problems, views.FormProblem{Field: f.fields[1].Name, Words: f.fields[1].Wrong})
			case len(f.problems) == 0:
				return err
			}
		}
		p.Fields, p.Problems = f.fields, f.problems
		settings, err = s.store.Settings(c.Request().Context())
		if err != nil {
			return err
		}
		p.Shell = withClock(s.shell(c, "Coupon for "+tag, "/floor"), s.now(), settings.Zone())
		return render(c, f.status(), views.Coupon(p))
	}
}

func (s *Server) fillCoupon(p *views.CouponPage, here string, k *printable.Coupon, f *numbersForm) {
	query := url.Values{}
	for _, x := range f.fields {
		query.Set(x.Name, x.Value)
	}
	profile := url.Values{"layer_height_mm": query["layer_height_mm"], "line_width_mm": query["line_width_mm"]}
	p.Bead = s.url("/bead?" + profile.Encode())
	for _, format := range []string{"3mf", "stl"} {
		query.Set("format", format)
		p.Files = append(p.Files, views.Link{Word: "Download " + strings.ToUpper(format), Href: s.url(here + "/coupon/file?" + query.Encode()), Main: format == "3mf"})
	}
	density := f.values["density_g_cm3"]
	zones := k.Grid.Cols * k.Grid.Rows
	patch := views.Fact{Word: "Patches", Value: size(k.PatchMM) + " square", Note: "large enough to measure 5" + thin + "mm from the edge"}
	if !k.Gaugeable() {
		patch.Note = "too small to measure, only to look at"
	}
	p.Facts = []views.Fact{
		{Word: "Expected mass", Value: grams(k.MassG(density)), Note: "at " + strconv.FormatFloat(density, 'f', 2, 64) + thin + "g/cm³; a patch " + grams(k.PatchMassG(density))},
		{Word: "Bed", Value: wholeMM(k.Grid.BedXMM) + " × " + wholeMM(k.Grid.BedYMM) + thin + "mm", Note: counted(zones, "zone", "zones") + ", " + count(k.Grid.Cols) + " × " + count(k.Grid.Rows)},
		{Word: "Layer", Value: profileWords(k.Profile), Note: "height and line width"},
		{Word: "Stripes", Value: size(k.SquareMM) + " long", Note: "one line wide"},
		patch,
	}
	p.Steps = couponSteps
	p.Plan = couponPlan(k)
}

// size writes a length of a printed piece with one decimal.
func size(x float64) string { return strconv.FormatFloat(x, 'f', 1, 64) + thin + "mm" }

// grams writes a mass.
func grams(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) + thin + "g" }

// couponPlan draws the print on the bed, back edge up.
func couponPlan(k *printable.Coupon) views.CouponPlan {
	g := k.Grid
	n := func(x float64) string { return strconv.FormatFloat(x, 'f', 2, 64) }
	p := views.CouponPlan{Width: n(g.BedXMM), Depth: n(g.BedYMM), ViewBox: "0 0 " + n(g.BedXMM) + " " + n(g.BedYMM),
		Words: fmt.Sprintf("The bed from above, the front below: %d by %d zones, in the middle of each a stripe, the zone's address and a patch.", g.Cols, g.Rows)}
	var zones, patches, singles strings.Builder
	for i := 1; i < g.Cols; i++ {
		fmt.Fprintf(&zones, "M%s 0V%s", n(float64(i)*g.BedXMM/float64(g.Cols)), n(g.BedYMM))
	}
	for i := 1; i < g.Rows; i++ {
		fmt.Fprintf(&zones, "M0 %sH%s", n(float64(i)*g.BedYMM/float64(g.Rows)), n(g.BedXMM))
	}
	for _, piece := range k.Pieces {
		to := &singles
		if piece.Kind == printable.Patch {
			to = &patches
		}
		for _, b := range piece.Boxes {
			fmt.Fprintf(to, "M%s %sh%sv%sh-%sz", n(b[0]), n(g.BedYMM-b[1]-b[3]), n(b[2]), n(b[3]), n(b[2]))
		}
	}
	p.Zones, p.Patches, p.Singles = zones.String(), patches.String(), singles.String()
	return p
}

func (s *Server) getCouponFile() echo.HandlerFunc {
	formats := map[string]struct {
		mime  string
		write func(*bytes.Buffer, *printable.Mesh, string) error
	}{
		"3mf": {"model/3mf", func(b *bytes.Buffer, m *printable.Mesh, t string) error { return printable.Write3MF(b, m, t) }},
		"stl": {"model/stl", func(b *bytes.Buffer, m *printable.Mesh, t string) error { return printable.WriteSTL(b, m, t) }},
	}
	return func(c echo.Context) error {
		tag, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		format, ok := formats[c.QueryParam("format")]
		if !ok {
			return badRequest(fault.Problem{Column: "format", Found: c.QueryParam("format"), Expected: "3mf or stl"})
		}
		printer, f, err := s.couponAsked(c, tag, "format")
		if err != nil {
			return err
		}
		if len(f.problems) > 0 {
			return badRequest(fault.Problem{Column: f.problems[0].Field, Found: c.QueryParam(f.problems[0].Field), Expected: f.problems[0].Words})
		}
		coupon, err := f.coupon(printer)
		if err != nil {
			return err
		}
		var file bytes.Buffer
		if err := format.write(&file, coupon.Mesh(), "Coupon for "+tag); err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set(echo.HeaderContentType, format.mime)
		h.Set(echo.HeaderContentDisposition, mime.FormatMediaType("attachment", map[string]string{"filename": coupon.Name(tag) + "." + c.QueryParam("format")}))
		h.Set(echo.HeaderContentLength, strconv.Itoa(file.Len()))
		c.Response().WriteHeader(http.StatusOK)
		if c.Request().Method == http.MethodHead {
			return nil
		}
		_, err = c.Response().Write(file.Bytes())
		return err
	}
}
