package printable

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"math"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"basecourse/internal/farm"

	"github.com/ledongthuc/pdf"
	"github.com/makiuchi-d/gozxing"
	"github.com/makiuchi-d/gozxing/qrcode"
	"github.com/srwiley/oksvg"
	"github.com/srwiley/rasterx"
)

const dots = 10 // a millimetre, where drawings are made pictures of

func white(wide, high float64) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, int(wide*dots), int(high*dots)))
	draw.Draw(img, img.Bounds(), image.White, image.Point{}, draw.Src)
	return img
}

// read decodes the one code in a part of a picture; mm from the upper left. The
// reader is of another hand than the writer. Like a camera it gets more than one
// frame, each a little aside and smaller: in one alone it may take something else
// for a corner of the code. The last one shows the code alone.
func read(t *testing.T, img *image.RGBA, x, y, wide, high float64) string {
	t.Helper()
	part := img.SubImage(image.Rect(int(x*dots), int(y*dots), int((x+wide)*dots), int((y+high)*dots)))
	got, err := decode(part)
	if err != nil {
		t.Errorf("no code at %.1f, %.1f: %v", x, y, err)
	}
	return got
}

func decode(img image.Image) (string, error) {
	var err error
	for _, frame := range []struct{ aside, part int }{{0, 1}, {0, 2}, {3, 1}, {5, 2}, {7, 1}, {9, 3}} {
		bits, _ := gozxing.NewBinaryBitmap(gozxing.NewHybridBinarizer(gozxing.NewLuminanceSourceFromImage(smaller(img, frame.aside, frame.part))))
		var got *gozxing.Result
		if got, err = qrcode.NewQRCodeReader().Decode(bits, map[gozxing.DecodeHintType]interface{}{gozxing.DecodeHintType_TRY_HARDER: true}); err == nil {
			return got.GetText(), nil
		}
	}
	part := smaller(img, 0, 1)
	part.Rect.Max.X = min(part.Rect.Dx()*46/100, part.Rect.Dy())
	bits, _ := gozxing.NewBinaryBitmap(gozxing.NewGlobalHistgramBinarizer(gozxing.NewLuminanceSourceFromImage(part)))
	got, err2 := qrcode.NewQRCodeReader().Decode(bits, map[gozxing.DecodeHintType]interface{}{gozxing.DecodeHintType_PURE_BARCODE: true})
	if err2 != nil {
		return "", errors.Join(err, err2)
	}
	return got.GetText(), nil
}

// smaller gives a part of a picture, grey, a whole part of its size.
func smaller(img image.Image, aside, part int) *image.Gray {
	b := img.Bounds().Inset(aside)
	out := image.NewGray(image.Rect(0, 0, b.Dx()/part, b.Dy()/part))
	for y := range out.Bounds().Dy() {
		for x := range out.Bounds().Dx() {
			sum := 0
			for dy := range part {
				for dx := range part {
					sum += int(color.GrayModel.Convert(img.At(b.Min.X+x*part+dx, b.Min.Y+y*part+dy)).(color.Gray).Y)
				}
			}
			out.SetGray(x, y, color.Gray{Y: uint8(sum / (part * part))})
		}
	}
	return out
}

func svgPicture(t *testing.T, svg []byte, wide, high float64) *image.RGBA {
	t.Helper()
	icon, err := oksvg.ReadIconStream(bytes.NewReader(svg), oksvg.IgnoreErrorMode) // it knows no text
	if err != nil {
		t.Fatal(err)
	}
	if icon.ViewBox.W != wide || icon.ViewBox.H != high {
		t.Errorf("an SVG of %g × %g, want %g × %g", icon.ViewBox.W, icon.ViewBox.H, wide, high)
	}
	img := white(wide, high)
	icon.SetTarget(0, 0, float64(img.Bounds().Dx()), float64(img.Bounds().Dy()))
	icon.Draw(rasterx.NewDasher(img.Bounds().Dx(), img.Bounds().Dy(), rasterx.NewScannerGV(img.Bounds().Dx(), img.Bounds().Dy(), img, img.Bounds())), 1)
	return img
}

// pdfPicture draws the boxes that an independent reader finds on a page, and
// gives the words it finds.
func pdfPicture(t *testing.T, p pdf.Page, wide, high float64) (*image.RGBA, string) {
	t.Helper()
	box := p.V.Key("MediaBox")
	if box.IsNull() {
		box = p.V.Key("Parent").Key("MediaBox")
	}
	if w, h := box.Index(2).Float64()*pointMM, box.Index(3).Float64()*pointMM; math.Abs(w-wide) > 0.01 || math.Abs(h-high) > 0.01 {
		t.Errorf("a page of %.2f × %.2f mm, want %g × %g", w, h, wide, high)
	}
	img := white(wide, high)
	content := p.Content()
	for _, r := range content.Rect {
		at := func(pt pdf.Point) (int, int) {
			return int(math.Round(pt.X * pointMM * dots)), int(math.Round((high - pt.Y*pointMM) * dots))
		}
		x0, y0 := at(r.Min)
		x1, y1 := at(r.Max)
		draw.Draw(img, image.Rect(x0, y0, x1, y1).Canon(), image.NewUniform(color.Black), image.Point{}, draw.Src)
	}
	var words strings.Builder
	for _, w := range content.Text {
		words.WriteString(w.S)
	}
	return img, words.String()
}

func things() []Label {
	var out []Label
	for i := range 2 {
		out = append(out, Label{"printer", fmt.Sprintf("P-%03d", i+1), fmt.Sprintf("https://farm.example/bc/s/P-%03d", i+1)},
			Label{"plate", fmt.Sprintf("L-%03d", i+201), fmt.Sprintf("http://192.168.1.20:8080/s/L-%03d", i+201)})
	}
	return append(out, Label{"plate", "Ä ganz langer Name einer Platte 27", "https://farm.example/s/%C3%84%20ganz%20langer%20Name%20einer%20Platte%2027"})
}

// Every label of every paper is read by a reader that is not the writer's, from
// the PDF and from the SVG, where the paper's labels are.
func TestLabelsAreReadByAnotherReader(t *testing.T) {
	for _, sheet := range Sheets {
		order := Order{Sheet: sheet, Labels: things(), Copies: 2, From: min(4, sheet.PerPage())}
		if sheet.Cols > 1 {
			order.Copies = 1
		}
		var file, again bytes.Buffer
		if err := order.WritePDF(&file); err != nil {
			t.Fatal(err)
		}
		if _ = order.WritePDF(&again); !bytes.Equal(file.Bytes(), again.Bytes()) {
			t.Errorf("%s: the same order, other bytes", sheet.Code)
		}
		r, err := pdf.NewReader(bytes.NewReader(file.Bytes()), int64(file.Len()))
		if err != nil {
			t.Fatal(err)
		}
		if r.NumPage() != order.Pages() {
			t.Errorf("%s: %d pages, want %d", sheet.Code, r.NumPage(), order.Pages())
		}
		seen, all := 0, len(order.Labels)*order.Copies
		for page := range order.Pages() {
			var svg bytes.Buffer
			if err := order.WriteSVG(&svg, page+1); err != nil {
				t.Fatal(err)
			}
			paper, words := pdfPicture(t, r.Page(page+1), sheet.WideMM, sheet.HighMM)
			pictures := map[string]*image.RGBA{"PDF": paper}
			if sheet.Cols == 1 { // the layout is one; large pictures take their time
				pictures["SVG"] = svgPicture(t, svg.Bytes(), sheet.WideMM, sheet.HighMM)
			}
			for place := range sheet.PerPage() {
				i := page*sheet.PerPage() + place - (order.From - 1)
				if i < 0 || i >= all {
					continue
				}
				l := order.Labels[i/order.Copies]
				x, y := sheet.LeftMM+float64(place%sheet.Cols)*sheet.StepXMM, sheet.TopMM+float64(place/sheet.Cols)*sheet.StepYMM
				for kind, img := range pictures {
					if got := read(t, img, x, y, sheet.LabelWideMM, sheet.LabelHighMM); got != l.Address {
						t.Errorf("%s, %s, label %d: got %q, want %q", sheet.Code, kind, place+1, got, l.Address)
					}
				}
				if !strings.Contains(words, farm.LabelTag(l.Tag)) && l.Tag[0] < 0x80 {
					t.Errorf("%s: the page does not say %s", sheet.Code, farm.LabelTag(l.Tag))
				}
				if l.Kind == "plate" && !strings.Contains(strings.ReplaceAll(words, " ", ""), strings.ReplaceAll(NeverUnder, " ", "")) {
					t.Errorf("%s: lacks the note on plates: %s", sheet.Code, words)
				}
				seen++
			}
		}
		if seen != all {
			t.Errorf("%s: %d labels, want %d", sheet.Code, seen, all)
		}
	}
}

func TestLabelsStayOnTheirPaper(t *testing.T) {
	for _, sheet := range Sheets {
		if right := sheet.LeftMM + float64(sheet.Cols-1)*sheet.StepXMM + sheet.LabelWideMM; right > sheet.WideMM+0.001 {
			t.Errorf("%s: labels reach to %.2f of %.2f mm", sheet.Code, right, sheet.WideMM)
		}
		if low := sheet.TopMM + float64(sheet.Rows-1)*sheet.StepYMM + sheet.LabelHighMM; low > sheet.HighMM+0.001 {
			t.Errorf("%s: labels reach to %.2f of %.2f mm", sheet.Code, low, sheet.HighMM)
		}
		m := newMeasure()
		for _, l := range things() {
			d := drawing{}
			if err := d.label(m, l, 0, 0, sheet.LabelWideMM, sheet.LabelHighMM); err != nil {
				t.Fatal(err)
			}
			for _, x := range d.texts {
				if x.x+m.width(x) > sheet.LabelWideMM-padding+0.05 || x.y > sheet.LabelHighMM-padding+0.5 || x.y-x.size < 0 || x.size < 0.9 {
					t.Errorf("%s, %s: %q at %.1f, %.1f, %.1f wide, %.2f high", sheet.Code, l.Tag, x.text, x.x, x.y, m.width(x), x.size)
				}
			}
			if module := d.boxes[0][3]; module < 0.25 {
				t.Errorf("%s, %s: modules of %.2f mm", sheet.Code, l.Tag, module)
			}
		}
	}
	for _, wrong := range []Order{{Sheet: Sheets[0], Copies: 0, From: 1}, {Sheet: Sheets[0], Copies: 1, From: 25}, {Sheet: Sheets[0], Copies: 20, From: 1, Labels: make([]Label, 151)}} {
		if wrong.Check() == nil {
			t.Errorf("%+v is not refused", wrong.From)
		}
	}
}

// dxfShapes reads the polylines of a DXF by its group codes.
func dxfShapes(t *testing.T, file string) map[string][][][2]float64 {
	t.Helper()
	lines := strings.Split(strings.TrimSuffix(file, "\r\n"), "\r\n")
	if len(lines)%2 != 0 {
		t.Fatal("a DXF is pairs of lines")
	}
	out := map[string][][][2]float64{}
	var shape [][2]float64
	var layer, entity string
	for i := 0; i < len(lines); i += 2 {
		code, err := strconv.Atoi(strings.TrimSpace(lines[i]))
		if err != nil {
			t.Fatalf("line %d: %q is no group code", i+1, lines[i])
		}
		v := lines[i+1]
		number := func() float64 {
			x, err := strconv.ParseFloat(v, 64)
			if err != nil {
				t.Fatalf("line %d: %v", i+2, err)
			}
			return x
		}
		switch {
		case code == 0:
			if v == "SEQEND" {
				out[layer] = append(out[layer], shape)
				shape = nil
			}
			entity = v
		case code == 8:
			layer = v
		case code == 10 && entity == "VERTEX":
			shape = append(shape, [2]float64{number(), 0})
		case code == 20 && entity == "VERTEX":
			shape[len(shape)-1][1] = number()
		}
	}
	if lines[len(lines)-1] != "EOF" {
		t.Error("lacks the end")
	}
	return out
}

// filled draws closed shapes by the even-odd rule.
func filled(shapes [][][2]float64, wide, high float64) *image.RGBA {
	img := white(wide, high)
	for py := range img.Bounds().Dy() {
		y := high - (float64(py)+0.5)/dots
		var cuts []float64
		for _, s := range shapes {
			for i := range s {
				if a, b := s[i], s[(i+1)%len(s)]; (a[1] > y) != (b[1] > y) {
					cuts = append(cuts, a[0]+(y-a[1])/(b[1]-a[1])*(b[0]-a[0]))
				}
			}
		}
		slices.Sort(cuts)
		for i := 0; i+1 < len(cuts); i += 2 {
			draw.Draw(img, image.Rect(int(cuts[i]*dots+0.5), py, int(cuts[i+1]*dots+0.5), py+1), image.Black, image.Point{}, draw.Src)
		}
	}
	return img
}

func TestEngravingsAreTrueAndRead(t *testing.T) {
	const address = "http://192.168.1.20:8080/s/L-203"
	e, err := Engrave("L-203", address, 12, 20)
	if err != nil {
		t.Fatal(err)
	}
	if e.Text != "L203K" {
		t.Errorf("engraves %q", e.Text)
	}
	var svg, dxf bytes.Buffer
	if err := e.WriteSVG(&svg); err != nil {
		t.Fatal(err)
	}
	if err := e.WriteDXF(&dxf); err != nil {
		t.Fatal(err)
	}
	if got := read(t, svgPicture(t, svg.Bytes(), e.WideMM, e.HighMM), 0, 0, e.WideMM, e.HighMM); got != address {
		t.Errorf("SVG: got %q", got)
	}
	shapes := dxfShapes(t, dxf.String())
	if got := read(t, filled(shapes["CODE"], e.WideMM, e.HighMM), 0, 0, e.WideMM, e.HighMM); got != address {
		t.Errorf("DXF: got %q", got)
	}
	size := func(list [][][2]float64) (wide, high float64) {
		low, top := [2]float64{1e9, 1e9}, [2]float64{}
		for _, s := range list {
			for _, p := range s {
				for k := range p {
					low[k], top[k] = min(low[k], p[k]), max(top[k], p[k])
				}
			}
		}
		if low[0] < 0 || low[1] < 0 || top[0] > e.WideMM || top[1] > e.HighMM {
			t.Errorf("lies outside the drawing: %v to %v", low, top)
		}
		return top[0] - low[0], top[1] - low[1]
	}
	if _, high := size(shapes["TAG"]); math.Abs(high-12) > 1e-6 {
		t.Errorf("letters of %.4f mm, want 12", high)
	}
	if wide, high := size(shapes["CODE"]); math.Abs(wide-20) > 1e-3 || math.Abs(high-20) > 1e-3 {
		t.Errorf("a code of %.4f × %.4f mm, want 20", wide, high)
	}
	if !strings.Contains(svg.String(), fmt.Sprintf(`width="%smm" height="%smm"`, mm(e.WideMM), mm(e.HighMM))) {
		t.Error("the SVG does not say its size in millimetres")
	}
	// 0.7 m away the letters are seen under at least 22 minutes of arc.
	if arc := math.Atan(LeastCapMM/700) * 180 / math.Pi * 60; arc < 22 {
		t.Errorf("the least letters are seen under %.1f minutes of arc", arc)
	}
	for _, wrong := range [][2]float64{{4, 0}, {61, 0}, {12, 5}, {12, 500}, {math.NaN(), 0}, {12, math.NaN()}} {
		if _, err := Engrave("L-203", address, wrong[0], wrong[1]); err == nil {
			t.Errorf("letters of %g and a code of %g are not refused", wrong[0], wrong[1])
		}
	}
	if _, err := Engrave("Ä1", address, 12, 0); err == nil {
		t.Error("letters without strokes are not refused")
	}
}

// Poppler's programs draw the PDF where they are installed, fonts and all.
func TestAPrintedPageIsRead(t *testing.T) {
	tool, err := exec.LookPath("pdftoppm")
	if err != nil {
		t.Skip("pdftoppm is not installed")
	}
	sheet, _ := SheetByCode("single-62x29")
	var file, ppm bytes.Buffer
	if err := (Order{Sheet: sheet, Labels: things()[1:2], Copies: 1, From: 1}).WritePDF(&file); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(tool, "-r", "203", "-gray") // the resolution of common label printers, dots an inch
	cmd.Stdin, cmd.Stdout = &file, &ppm
	if err := cmd.Run(); err != nil {
		t.Fatal(err)
	}
	var wide, high, most int
	if _, err := fmt.Fscanf(&ppm, "P5\n%d %d\n%d\n", &wide, &high, &most); err != nil {
		t.Fatal(err)
	}
	img := image.NewGray(image.Rect(0, 0, wide, high))
	copy(img.Pix, ppm.Bytes())
	if got, err := decode(img); err != nil || got != things()[1].Address {
		t.Errorf("got %v, %v", got, err)
	}
}
