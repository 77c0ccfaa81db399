package views

import (
	"slices"
	"strconv"
	"strings"
)

// MarkLook is one mark as it is seen: its word, what it looks like, other names
// people use for it, and what it often goes with, in careful words.
type MarkLook struct {
	Code  string
	Word  string
	Seen  string
	Also  []string // accepted in search
	Often string
}

// CommonMarks are the six that come first; their order is that of the records'
// list. MoreMarks stand behind "More marks".
var (
	CommonMarks = []MarkLook{
		{"nozzle_low", "Over-squished (nozzle low)", "Ridges, rough, see-through thin, scraped.", []string{"too close", "scraped"}, "All zones alike: the nozzle sits low, or this plate is thick."},
		{"nozzle_high", "Under-squished (nozzle high)", "Round lines, slits between lines, strings.", []string{"too far", "gaps", "loose loops"}, "All zones alike: the nozzle sits high, or this plate is thin."},
		{"blobs", "Blobs", "Balls and lumps carried about: it did not grip. Bubbles in the line are Moisture.", []string{"balls", "lumps"}, "Grip or height first, then moisture."},
		{"dragged", "Dragged lines", "Lines pulled off at turns, cutting corners.", []string{"pulled", "not sticking"}, "Grip or height."},
		{"contamination", "Contamination marks", "Finger-, streak- or drop-shaped dull, shiny or bare patches.", []string{"grease", "oily spot"}, "The plate. Alone and well stuck it is cosmetic."},
		{"lifting", "Corner lift", "An edge or a corner off the plate.", []string{"curl", "warp start"}, "Grip, bed temperature, a draught."},
	}
	MoreMarks = []MarkLook{
		{"no_start", "No start", "Lines missing from the beginning: spool, tangle or clog.", []string{"nothing came out", "clog"}, "The spool or the nozzle; not height, not the plate."},
		{"under_fed", "Under-fed", "Sparse lines although the squish is right, all zones alike.", []string{"sparse", "thin lines"}, "The feed, when all zones are alike."},
		{"over_fed", "Over-fed", "Ridged, all zones alike.", []string{"ridged", "too much"}, "The feed, when all zones are alike."},
		{"striping", "Striping", "Regular bands.", []string{"bands", "waves"}, "The cause is open: look into it apart."},
		{"moisture", "Moisture", "Pits and popping, in every layer. Apart from blobs: the cure differs.", []string{"bubbles", "pits", "popping"}, "A damp spool; a line laid in free air tells."},
		{"plate_mark", "Plate mark", "A dent, a scratch, a torn or worn-smooth coating, an earlier part's outline.", []string{"scratch", "dent", "worn"}, "This plate, in the same place of it."},
		{"debris", "Debris", "Crumbs or hairs printed over.", []string{"crumbs", "hair", "dust"}, "Something lay on the plate."},
		{"other", "Something else", "Needs a word or a photo.", nil, ""},
	}
)

func (m *MarkLook) also() string { return strings.Join(m.Also, ", ") }

// drawn tells whether there is something to draw of a mark.
func drawn(mark string) bool {
	return slices.ContainsFunc(CommonMarks, func(m MarkLook) bool { return m.Code == mark }) ||
		mark != "other" && slices.ContainsFunc(MoreMarks, func(m MarkLook) bool { return m.Code == mark })
}

var severities = []string{"slight", "clear", "strong"}

// stroke is one line or area of a mark's drawing, 96 by 64 units.
type stroke struct {
	Class string // bead, thin, seam, band, bare, patch, ball, lift
	D     string
	Width string
}

func n(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// drawing shows a mark at a severity of 1 to 3: a patch of lines seen from
// above, as they lie on the plate.
func drawing(mark string, severity int) []stroke {
	var out []stroke
	lines, add := pen(&out)
	switch mark {
	case "": // plain lines, as they should be
		lines("bead", 9.6, 0)
	case "nozzle_low":
		lines("bead", 11, 0)
		for i := range []int{2, 4, 5}[severity-1] {
			y := 12 + 10*float64(i)
			add("seam", "M6 "+n(y)+"q6 -4 12 0t12 0t12 0t12 0t12 0t12 0t12 0", float64(severity))
		}
		for i := range severity - 1 {
			add("bare", "M"+n(22+34*float64(i))+" "+n(22+16*float64(i))+"q9 -9 18 0t-4 12t-14 -12", 1)
		}
	case "nozzle_high":
		if severity < 3 {
			lines("bead", []float64{7, 5}[severity-1], 0)
			break
		}
		for i := range 6 {
			y := 7 + 10*float64(i)
			add("bead", "M6 "+n(y)+"q10 "+n(-4+float64(i%3)*4)+" 21 0t21 0t21 0t21 0", 3.2)
		}
	case "blobs":
		lines("bead", 9, 0)
		at := [][3]float64{{26, 22, 4}, {66, 44, 4}, {48, 30, 6}, {18, 48, 6}, {78, 16, 6}, {36, 52, 8}, {58, 12, 8}}
		for _, b := range at[:[]int{2, 5, 7}[severity-1]] {
			r := b[2] + float64(severity) - 1
			add("ball", "M"+n(b[0]-r)+" "+n(b[1])+"a"+n(r)+" "+n(r)+" 0 1 0 "+n(2*r)+" 0a"+n(r)+" "+n(r)+" 0 1 0 "+n(-2*r)+" 0", 1.5)
		}
	case "dragged":
		cut := []int{1, 2, 3}[severity-1]
		for i := range 3 {
			y := 7 + 20*float64(i)
			if i < cut {
				in := 34 * float64(severity) / 3
				add("bead", "M6 "+n(y)+"H"+n(90-in-6)+"L"+n(82-in/2)+" "+n(y+10)+"H6", 7)
			} else {
				add("bead", "M6 "+n(y)+"H90V"+n(y+10)+"H6", 7)
			}
		}
		if severity == 3 {
			add("thin", "M60 4Q40 30 78 60", 2.5)
		}
	case "contamination":
		lines("bead", 9, 0)
		spots := [][4]float64{{48, 32, 10, 7}, {24, 20, 11, 8}, {72, 46, 13, 9}}
		for i, s := range spots[:severity] {
			grow := 1 + 0.25*float64(severity-1)
			class := "patch"
			if severity == 3 && i == 0 {
				class = "bare"
			}
			add(class, "M"+n(s[0]-s[2]*grow)+" "+n(s[1])+"a"+n(s[2]*grow)+" "+n(s[3]*grow)+" 0 1 0 "+n(2*s[2]*grow)+" 0a"+n(s[2]*grow)+" "+n(s[3]*grow)+" 0 1 0 "+n(-2*s[2]*grow)+" 0", 1.5)
		}
	case "lifting":
		lines("bead", 9, 0)
		s := []float64{16, 28, 44}[severity-1]
		add("bare", "M94 "+n(62-s)+"V62H"+n(94-s*1.3)+"z", 0)
		add("lift", "M94 "+n(62-s)+"L"+n(94-s*1.3)+" 62q"+n(s*0.15)+" "+n(-s*0.9)+" "+n(s*1.3)+" "+n(-s), 2)
	default:
		out = moreDrawing(mark, severity)
	}
	return out
}

// pen draws onto out: six lines of a width, from the skip-th on, and any path.
func pen(out *[]stroke) (lines func(class string, width float64, skip int), add func(class, d string, width float64)) {
	add = func(class, d string, width float64) { *out = append(*out, stroke{class, d, n(width)}) }
	lines = func(class string, width float64, skip int) {
		for i := skip; i < 6; i++ {
			add(class, "M6 "+n(7+10*float64(i))+"H90", width)
		}
	}
	return lines, add
}

// moreDrawing draws the marks behind "More marks".
func moreDrawing(mark string, severity int) []stroke {
	var out []stroke
	lines, add := pen(&out)
	switch mark {
	case "no_start": // lines begin late
		missing := []int{1, 3, 5}[severity-1]
		lines("bead", 9, missing)
		for i := range missing {
			y := n(7 + 10*float64(i))
			add("thin", "M6 "+y+"H90", 0.8)
			if i == missing-1 {
				add("bead", "M58 "+y+"H90", 6)
			}
		}
	case "under_fed": // thin and broken, flat on the plate
		width, gap := []float64{7, 5.5, 4}[severity-1], []string{"", "m8 0", "m14 0"}[severity-1]
		for i := range 6 {
			y := n(7 + 10*float64(i))
			if gap == "" {
				add("bead", "M6 "+y+"H90", width)
				continue
			}
			add("bead", "M6 "+y+"h"+n(20+float64(i*17%30))+gap+"H90", width)
		}
	case "over_fed": // every seam a ridge
		lines("bead", 11, 0)
		for i := range 5 {
			add("seam", "M6 "+n(12+10*float64(i))+"H90", 0.8*float64(severity))
		}
	case "striping": // every other band looks different
		lines("bead", 9, 0)
		for i := range 3 {
			add("band", "M6 "+n(12+20*float64(i))+"H90", 3*float64(severity))
		}
	case "moisture": // pits in the lines
		lines("bead", 9, 0)
		for i := range []int{6, 14, 26}[severity-1] {
			x, y := 10+float64(i*37%78), 7+10*float64((i*5)%6)
			add("bare", "M"+n(x-1.5)+" "+n(y)+"a1.5 1.5 0 1 0 3 0a1.5 1.5 0 1 0 -3 0", 0.8)
		}
	case "plate_mark": // a scratch goes through; worn coating shows as an outline
		lines("bead", 9, 0)
		add("seam", "M16 58L56 8", float64(severity))
		if severity > 1 {
			add("seam", "M26 60L60 20", 1.2)
		}
		if severity > 2 {
			add("patch", "M58 26H86V56H58z", 1.5)
		}
	case "debris": // a hair, a crumb
		lines("bead", 9, 0)
		add("thin", "M20 14q10 16 24 12t22 14", 1.5)
		for i := range severity - 1 {
			add("ball", "M"+n(62+10*float64(i))+" "+n(16+22*float64(i))+"l6 -3l4 5l-3 5l-6 -1z", 1)
		}
	}
	return out
}
