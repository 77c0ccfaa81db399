package web

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/printable"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// lasts says where labels may go.
const lasts = "Edge or tab only, never under the plate: what lies under it lifts it. Paper and film do not last on a heated plate: they char, creep and leave glue. Engrave, etch or paint the short tag on the tab instead."

// sheetsShown is how many sheets the page shows; the PDF has them all.
const sheetsShown = 10

// ShortAddress is what a label's code holds: base is the farm's address with its
// base path.
func ShortAddress(base, tag string) string { return base + "/s/" + url.PathEscape(tag) }

// Unreached says why phones would not reach an address; "" they do.
func Unreached(base string) string {
	u, err := url.Parse(base)
	if err != nil {
		return ""
	}
	host := u.Hostname()
	ip, err := netip.ParseAddr(host)
	if host != "localhost" && !strings.HasSuffix(host, ".localhost") && (err != nil || !ip.IsLoopback() && !ip.IsUnspecified()) {
		return ""
	}
	return host + " is this machine alone. Start the server with --public-url and the address that phones in the network use, then print."
}

// publicBase is the farm's address as people type it, with the base path: the one
// configured, else the one this page was asked for by.
func (s *Server) publicBase(c echo.Context) string {
	if u, err := url.Parse(s.cfg.PublicURL); err == nil && u.Host != "" {
		return u.Scheme + "://" + u.Host + s.base
	}
	scheme := "http"
	if c.IsTLS() || s.secure {
		scheme = "https"
	}
	return scheme + "://" + c.Request().Host + s.base
}

// ThingsToLabel finds printers and plates by their typed tags, in order, each
// once; "printers", "plates" and a bay's name stand for all in service.
func ThingsToLabel(ctx context.Context, st *store.Store, base, typed string, all []string) ([]printable.Label, []fault.Problem, error) {
	var out []printable.Label
	seen := map[[2]string]bool{}
	add := func(kind, tag string) {
		if key := [2]string{kind, tag}; !seen[key] {
			seen[key] = true
			out = append(out, printable.Label{Kind: kind, Tag: tag, Address: ShortAddress(base, tag)})
		}
	}
	books := map[string]tagBook{}
	for _, kind := range []farm.Kind{farm.KindPrinter, farm.KindPlate} {
		tags, err := st.ThingNames(ctx, kind, everInUse, 100_000)
		if err != nil {
			return nil, nil, err
		}
		books[string(kind)] = newTagBook(tags)
	}
	var problems []fault.Problem
	for _, piece := range strings.FieldsFunc(typed, func(r rune) bool { return strings.ContainsRune("\n\r,;\t", r) }) {
		if piece = strings.TrimSpace(piece); piece == "" {
			continue
		}
		printer, _ := books["printer"].find(piece)
		plate, several := books["plate"].find(piece)
		switch {
		case printer != "" && (plate == "" || plate != piece):
			add("printer", printer)
		case plate != "":
			add("plate", plate)
		default:
			problems = append(problems, fault.Problem{Column: "tags", Found: piece, Expected: books["plate"].refuses(piece, "printer or plate", several)})
		}
	}
	for _, kind := range all {
		tags, err := st.ThingNames(ctx, farm.Kind(kind), st.Now(), 100_000)
		if err != nil {
			return nil, nil, err
		}
		slices.SortFunc(tags, func(a, b string) int {
			if naturalLess(a, b) {
				return -1
			}
			return 1
		})
		for _, tag := range tags {
			add(kind, tag)
		}
	}
	return out, problems, nil
}

// labelOrder reads what labels are asked for. asked is false when nothing is.
func (s *Server) labelOrder(c echo.Context, p *views.LabelsPage, others ...string) (o printable.Order, asked bool, err error) {
	if err := onlyParams(c, append(others, "tags", "all", "paper", "copies", "from")...); err != nil {
		return o, false, err
	}
	q := c.QueryParams()
	wrong := func(field, words string) {
		p.Problems = append(p.Problems, views.FormProblem{Field: field, Words: words})
	}
	code := orCode(q.Get("paper"), "a4-24")
	var known bool
	if o.Sheet, known = printable.SheetByCode(code); !known {
		o.Sheet = printable.Sheets[0]
		wrong("paper", "Choose one of the papers.")
	}
	number := func(name string) int {
		text := strings.TrimSpace(orCode(q.Get(name), "1"))
		n, err := strconv.Atoi(text)
		if err != nil {
			return 0
		}
		return n
	}
	o.Copies, o.From = number("copies"), number("from")
	var all []string
	switch x := q.Get("all"); x {
	case "":
	case "printer", "plate":
		all = []string{x}
	case "both":
		all = []string{"printer", "plate"}
	default:
		wrong("all", "Choose one of the answers.")
	}
	var problems []fault.Problem
	if len(q.Get("tags")) <= 60_000 {
		o.Labels, problems, err = ThingsToLabel(c.Request().Context(), s.store, s.publicBase(c), q.Get("tags"), all)
	} else {
		wrong("tags", "Print up to "+count(printable.MostLabels)+" labels at once.")
	}
	if err != nil {
		return o, false, err
	}
	for _, x := range problems {
		wrong(x.Column, x.Expected)
	}
	var refused *fault.Error
	if err := o.Check(); err != nil {
		if !errors.As(err, &refused) {
			return o, false, err
		}
		for _, x := range refused.Problems {
			wrong(x.Column, sentence("Found "+x.Found+", expected "+x.Expected))
		}
	}
	if q.Has("tags") && len(o.Labels) == 0 && len(p.Problems) == 0 {
		wrong("tags", "Name at least one printer or plate, or choose all of a kind.")
	}
	return o, q.Has("tags") || q.Has("all"), nil
}

func (s *Server) getLabels() echo.HandlerFunc {
	return func(c echo.Context) error {
		var p views.LabelsPage
		order, asked, err := s.labelOrder(c, &p)
		if err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		base, q := s.publicBase(c), c.QueryParams()
		p.Shell = withClock(s.shell(c, "Labels", "/setup"), s.now(), zone)
		p.Crumb, p.Action = s.url("/setup"), s.url("/setup/labels")
		p.Lead = "A code that any phone's camera opens, the tag with its check letter, and the address in words. Scanning a printer opens its grading, scanning a plate its page."
		p.Prints, p.Warn, p.Caution = "Printed on them: "+ShortAddress(base, "TAG")+".", Unreached(base), lasts
		paper := views.Field{Name: "paper", Label: "Paper", Kind: "select"}
		for _, x := range printable.Sheets {
			paper.Options = append(paper.Options, views.Option{Value: x.Code, Word: x.Word, Chosen: x.Code == order.Sheet.Code})
		}
		all := views.Field{Name: "all", Label: "Or all in service", Kind: "choice", Optional: true}
		for _, x := range [][2]string{{"printer", "Printers"}, {"plate", "Plates"}, {"both", "Both"}, {"", "Only the tags above"}} {
			all.Options = append(all.Options, views.Option{Value: x[0], Word: x[1], Chosen: q.Get("all") == x[0]})
		}
		p.Fields = []views.Field{
			{Name: "tags", Label: "Printers and plates", Kind: "area", Value: q.Get("tags"), Optional: true, Hint: "One tag a line, or with commas between, for example P-014, L-203."},
			all, paper,
			{Name: "copies", Label: "Of each", Kind: "number", Unit: "labels", Value: orCode(q.Get("copies"), "1")},
			{Name: "from", Label: "Begin at label", Kind: "number", Value: orCode(q.Get("from"), "1"), Hint: "On a sheet that is partly used, count from the upper left, row by row."},
		}
		status := http.StatusOK
		switch {
		case len(p.Problems) > 0 && asked:
			status = http.StatusUnprocessableEntity
		case asked:
			s.fillLabels(&p, order, q)
		default:
			p.Problems = nil
		}
		beside(p.Fields, p.Problems)
		return render(c, status, views.Labels(p))
	}
}

func (s *Server) fillLabels(p *views.LabelsPage, o printable.Order, q url.Values) {
	pages := o.Pages()
	p.Count = counted(len(o.Labels)*o.Copies, "label", "labels") + " on " + counted(pages, "sheet", "sheets")
	p.Files = []views.Link{{Word: "Download PDF", Href: s.url("/setup/labels/pdf/file?" + q.Encode()), Main: true}}
	size := func(mm float64) string { return strconv.Itoa(int(mm*96/25.4 + 0.5)) }
	for i := range min(pages, sheetsShown) {
		at := cloneValues(q)
		at.Set("sheet", strconv.Itoa(i+1))
		p.Sheets = append(p.Sheets, views.SheetPicture{Href: s.url("/setup/labels/svg/file?" + at.Encode()), Words: "Sheet " + count(i+1) + " of " + count(pages),
			Wide: size(o.Sheet.WideMM), High: size(o.Sheet.HighMM)})
	}
	if pages > sheetsShown {
		p.More = count(pages-sheetsShown) + " more sheets are in the PDF."
	}
}

// getLabelsFile answers the PDF, or one sheet as SVG.
func (s *Server) getLabelsFile(kind string) echo.HandlerFunc {
	return func(c echo.Context) error {
		var p views.LabelsPage
		order, _, err := s.labelOrder(c, &p, "sheet")
		if err != nil {
			return err
		}
		if len(p.Problems) > 0 || len(order.Labels) == 0 {
			problem := fault.Problem{Column: "tags", Found: "no labels", Expected: "tags of printers and plates"}
			if len(p.Problems) > 0 {
				problem = fault.Problem{Column: p.Problems[0].Field, Found: c.QueryParam(p.Problems[0].Field), Expected: p.Problems[0].Words}
			}
			return badRequest(problem)
		}
		var file bytes.Buffer
		if kind == "pdf" {
			if err := order.WritePDF(&file); err != nil {
				return err
			}
			return sendFile(c, "application/pdf", "labels.pdf", file.Bytes())
		}
		sheet, err := strconv.Atoi(orCode(c.QueryParam("sheet"), "1"))
		if err != nil {
			return badRequest(fault.Problem{Column: "sheet", Found: c.QueryParam("sheet"), Expected: "a sheet from 1"})
		}
		if err := order.WriteSVG(&file, sheet); err != nil {
			return err
		}
		return sendFile(c, "image/svg+xml", "labels-"+strconv.Itoa(sheet)+".svg", file.Bytes())
	}
}

func sendFile(c echo.Context, kind, name string, data []byte) error {
	h := c.Response().Header()
	h.Set(echo.HeaderContentType, kind)
	h.Set(echo.HeaderContentDisposition, mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	h.Set(echo.HeaderContentLength, strconv.Itoa(len(data)))
	c.Response().WriteHeader(http.StatusOK)
	if c.Request().Method == http.MethodHead {
		return nil
	}
	_, err := c.Response().Write(data)
	return err
}

// Numbers of a drawing for a plate.
var (
	lettersField = numberField{"letters_mm", "Height of the letters", "For example 12", "mm", 12, printable.LeastCapMM, printable.MostCapMM, "Letters must be between 5 and 60 mm high."}
	codeField    = numberField{"code_mm", "Side of the code", "For example 20; 0 leaves it out", "mm", 20, 0, 120, "The code must be up to 120 mm, or 0 for none."}
)

func (s *Server) plateDrawing(c echo.Context) (tag string, e *printable.Engraving, f numbersForm, err error) {
	if err := onlyParams(c, "letters_mm", "code_mm"); err != nil {
		return "", nil, f, err
	}
	if tag, err = tagParam(c, "tag"); err != nil {
		return "", nil, f, err
	}
	facts, err := s.store.PlateFacts(c.Request().Context(), tag, s.now(), s.now())
	if err != nil {
		return "", nil, f, err
	}
	f = readNumbers(c, lettersField, codeField)
	if len(f.problems) > 0 {
		return facts.Plate, nil, f, nil
	}
	e, err = printable.Engrave(facts.Plate, ShortAddress(s.publicBase(c), facts.Plate), f.values["letters_mm"], f.values["code_mm"])
	var refused *fault.Error
	if errors.As(err, &refused) && refused.Kind == fault.Invalid {
		for _, x := range refused.Problems {
			f.problems = append(f.problems, views.FormProblem{Field: x.Column, Words: sentence("Found " + x.Found + ", expected " + x.Expected)})
		}
		beside(f.fields, f.problems)
		return facts.Plate, nil, f, nil
	}
	return facts.Plate, e, f, err
}

func (s *Server) getMarkPlate() echo.HandlerFunc {
	return func(c echo.Context) error {
		tag, e, f, err := s.plateDrawing(c)
		if err != nil {
			return err
		}
		zone, err := s.farmZone(c.Request().Context())
		if err != nil {
			return err
		}
		here, base := "/plates/"+url.PathEscape(tag), s.publicBase(c)
		p := views.MarkPlatePage{Shell: withClock(s.shell(c, "Mark plate "+tag, "/floor"), s.now(), zone), Tag: tag, Crumb: s.url(here), Action: s.url(here + "/mark"),
			Short: farm.ShortTag(tag), Fields: f.fields, Problems: f.problems, Warn: Unreached(base), Labels: s.url("/setup/labels?tags=" + url.QueryEscape(tag)),
			Lead:     "Paper and film do not last on a heated plate. Write, engrave or etch the tag on the tab or the edge, never on the face that is printed on and never under it.",
			ShortHow: "Copy it large, with a paint marker that stands the heat, an engraving pen or punches. Typed like this it finds the plate from any field; the last letter is the check letter."}
		p.Cautions = []string{"A laser on a coated plate burns the coating: PEI and glue give off harmful fumes. Mark bare metal only, with extraction, eye protection and the covers closed. Local rules and the makers' instructions, of laser and plate, come first.",
			"Take the plate off the printer and let it cool before you mark it."}
		if e != nil {
			query := url.Values{}
			for _, x := range f.fields {
				query.Set(x.Name, x.Value)
			}
			p.Picture = views.SheetPicture{Href: s.url(here + "/mark/svg/file?" + query.Encode()), Words: "The drawing: " + e.Text + " in single strokes, and its code"}
			p.Files = []views.Link{{Word: "Download SVG", Href: p.Picture.Href, Main: true}, {Word: "Download DXF", Href: s.url(here + "/mark/dxf/file?" + query.Encode())}}
			p.Facts = []views.Fact{{Word: "Size", Value: fmt.Sprintf("%.1f × %.1f%smm", e.WideMM, e.HighMM, thin), Note: "true millimetres"},
				{Word: "Letters", Value: "single strokes", Note: "layer TAG"}}
			if e.ModuleMM > 0 {
				p.Facts = append(p.Facts, views.Fact{Word: "Code", Value: fmt.Sprintf("squares of %.2f%smm", e.ModuleMM, thin), Note: "layer CODE, filled areas; it holds " + e.Address})
			}
		}
		return render(c, f.status(), views.MarkPlate(p))
	}
}

func (s *Server) getMarkFile(kind string) echo.HandlerFunc {
	return func(c echo.Context) error {
		tag, e, f, err := s.plateDrawing(c)
		if err != nil {
			return err
		}
		if e == nil {
			return badRequest(fault.Problem{Column: f.problems[0].Field, Found: c.QueryParam(f.problems[0].Field), Expected: f.problems[0].Words})
		}
		var file bytes.Buffer
		if kind == "svg" {
			if err := e.WriteSVG(&file); err != nil {
				return err
			}
			return sendFile(c, "image/svg+xml", tag+".svg", file.Bytes())
		}
		if err := e.WriteDXF(&file); err != nil {
			return err
		}
		return sendFile(c, "image/vnd.dxf", tag+".dxf", file.Bytes())
	}
}

// getShort is the address on a label: a printer's leads to its grading, a
// plate's to its page.
func (s *Server) getShort() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		typed, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		labels, _, err := ThingsToLabel(c.Request().Context(), s.store, "", strings.ReplaceAll(typed, ",", " "), nil)
		if err != nil {
			return err
		}
		if len(labels) != 1 {
			return c.Redirect(http.StatusSeeOther, s.url("/search?q="+url.QueryEscape(typed)))
		}
		return c.Redirect(http.StatusSeeOther, s.url(map[string]string{"printer": "/grade/", "plate": "/plates/"}[labels[0].Kind]+url.PathEscape(labels[0].Tag)))
	}
}
