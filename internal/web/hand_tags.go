package web

import (
	"context"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// mostChosen is how many plates one act may be about.
const mostChosen = 300

// mostSuggested is how many tags a field offers while typing; beyond it the list
// would weigh more than the page.
const mostSuggested = 300

// split takes a pasted or scanned list apart: one tag a line, or by commas,
// semicolons, tabs; by blanks only where the piece is no tag as it is.
func (b tagBook) split(text string) []string {
	var out []string
	for _, piece := range strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune("\n\r,;\t", r) }) {
		piece = strings.TrimSpace(piece)
		if piece == "" {
			continue
		}
		if tag, several := b.find(piece); tag != "" || several != nil {
			out = append(out, piece)
			continue
		}
		out = append(out, strings.Fields(piece)...)
	}
	return out
}

// justBefore is the instant before the act: what it finds there does not change
// when the form is sent twice.
func (h *hand) justBefore() time.Time { return h.when.Add(-time.Microsecond) }

// places reads where every plate is, once a request.
func (h *hand) places() ([]store.Spot, error) {
	if h.spotted {
		return h.spots, nil
	}
	var err error
	if h.opens {
		var r *reading[[]store.Spot]
		r, err = h.s.spots.read(h.ctx, asked{version: h.seen, now: h.when}, func(ctx context.Context, at time.Time) ([]store.Spot, error) {
			return h.s.store.Spots(ctx, at.Add(-time.Microsecond))
		})
		if err == nil {
			h.spots = r.value
		}
	} else {
		h.spots, err = h.s.store.Spots(h.ctx, h.justBefore())
	}
	h.spotted = err == nil
	return h.spots, err
}

func (h *hand) plateBook() (tagBook, error) {
	spots, err := h.places()
	if err != nil {
		return tagBook{}, err
	}
	tags := make([]string, len(spots))
	for i, s := range spots {
		tags[i] = s.Plate
	}
	return newTagBook(tags), nil
}

// allPrinters reads every printer, once a request.
func (h *hand) allPrinters() ([]*farm.Printer, error) {
	if h.printers != nil {
		return h.printers, nil
	}
	var err error
	h.printers, err = h.s.store.Printers(h.ctx, "", 20_000)
	return h.printers, err
}

func (h *hand) printerBook() (tagBook, error) {
	list, err := h.allPrinters()
	if err != nil {
		return tagBook{}, err
	}
	tags := make([]string, len(list))
	for i, p := range list {
		tags[i] = p.Tag
	}
	return newTagBook(tags), nil
}

// one reads the tag of one printer or plate from a field.
func (h *hand) one(book tagBook, field, kind string) string {
	typed := h.text(field)
	if typed == "" {
		h.wrong(field, "Give the tag of the "+kind+".")
		return ""
	}
	tag, several := book.find(typed)
	if tag == "" {
		h.wrong(field, book.refuses(typed, kind, several))
	}
	return tag
}

// plateIfAny reads the tag of a plate from a field that may be empty.
func (h *hand) plateIfAny(field string) (string, error) {
	if h.text(field) == "" {
		return "", nil
	}
	book, err := h.plateBook()
	if err != nil {
		return "", err
	}
	return h.one(book, field, "plate"), nil
}

// fq shows a typed word in a sentence.
func fq(s string) string {
	if r := []rune(s); len(r) > 40 {
		s = string(r[:39]) + "…"
	}
	return "“" + s + "”"
}

func (h *hand) printer(field string) (string, error) {
	book, err := h.printerBook()
	if err != nil {
		return "", err
	}
	return h.one(book, field, "printer"), nil
}

// spotOf gives where a plate is.
func (h *hand) spotOf(plate string) *store.Spot {
	for i := range h.spots {
		if h.spots[i].Plate == plate {
			return &h.spots[i]
		}
	}
	return nil
}

// plateOn gives the plate on a printer, nil when none is known.
func (h *hand) plateOn(printer string) *store.Spot {
	for i := range h.spots {
		if printer != "" && h.spots[i].Printer == printer {
			return &h.spots[i]
		}
	}
	return nil
}

// onPrinter is plateOn, read for that printer alone where the farm's plates were not
// read anyway.
func (h *hand) onPrinter(printer string) (*store.Spot, error) {
	if h.spotted || printer == "" {
		return h.plateOn(printer), nil
	}
	return h.s.store.SpotOn(h.ctx, printer, h.justBefore())
}

// printerField asks for one printer.
func (h *hand) printerField(hint string) (views.Field, error) {
	list, err := h.s.store.Printers(h.ctx, "", mostSuggested+1)
	if err != nil {
		return views.Field{}, err
	}
	f := views.Field{Name: "printer", Label: "Printer", Value: h.values.Get("printer"), Hint: hint, Longest: 64, Scan: h.s.scan()}
	if len(list) <= mostSuggested {
		for _, p := range list {
			if p.RetiredAt.IsZero() {
				f.Suggest = append(f.Suggest, p.Tag)
			}
		}
	}
	return f, nil
}

// plateField asks for one plate.
func (h *hand) plateField(hint string) (views.Field, error) {
	list, err := h.s.store.Plates(h.ctx, "", mostSuggested+1)
	if err != nil {
		return views.Field{}, err
	}
	f := views.Field{Name: "plate", Label: "Plate", Value: h.values.Get("plate"), Hint: hint, Longest: 64, Scan: h.s.scan()}
	if len(list) <= mostSuggested {
		for _, p := range list {
			if p.RetiredAt.IsZero() || p.RetiredAt.After(h.now) {
				f.Suggest = append(f.Suggest, p.Tag)
			}
		}
	}
	return f, nil
}

// askPlates asks for many plates: a list to type, paste or scan into, and two
// ways to add to it.
func (h *hand) askPlates() error {
	list, err := h.allPrinters()
	if err != nil {
		return err
	}
	h.page.Fields = []views.Field{{Name: "plates", Label: "Plates", Kind: "area", Value: h.values.Get("plates"), Scan: h.s.scan(),
		Hint: "One tag a line, typed, pasted or scanned, for example L-203. Several at once are saved together or not at all."}}
	h.page.Adders = []views.Field{
		{Name: "printers", Label: "Add the plates on these printers", Value: h.values.Get("printers"), Optional: true, Longest: 4000,
			Hint: "Tags with commas between, for example P-014, P-015.", Add: "Add to the list"},
	}
	if bays := baysOf(list); len(bays) > 0 {
		bay := views.Field{Name: "bay", Label: "Add the plates on all printers of a bay", Kind: "select", Optional: true, Add: "Add to the list",
			Options: []views.Option{{Value: "", Word: "No bay"}}}
		for _, b := range bays {
			bay.Options = append(bay.Options, views.Option{Value: b, Word: b, Chosen: h.values.Get("bay") == b})
		}
		h.page.Adders = append(h.page.Adders, bay)
	}
	return nil
}

func baysOf(list []*farm.Printer) []string {
	var bays []string
	for _, p := range list {
		if p.Bay != "" && p.RetiredAt.IsZero() && !slices.Contains(bays, p.Bay) {
			bays = append(bays, p.Bay)
		}
	}
	slices.SortFunc(bays, func(a, b string) int {
		if naturalLess(a, b) {
			return -1
		}
		return 1
	})
	return bays
}

// gather makes the list of plates whole: what the address names, what is on the
// printers and in the bay that were named. added tells whether anything came to
// the list that the person has not seen on it.
func (h *hand) gather() (added bool, err error) {
	book, err := h.plateBook()
	if err != nil {
		return false, err
	}
	printers, err := h.printerBook()
	if err != nil {
		return false, err
	}
	typed := book.split(h.values.Get("plates"))
	listed := map[string]bool{}
	for i, t := range typed {
		if tag, _ := book.find(t); tag != "" {
			typed[i] = tag
			listed[tag] = true
		}
	}
	add := func(tag string) {
		if tag != "" && !listed[tag] {
			listed[tag] = true
			typed = append(typed, tag)
			added = true
		}
	}
	var unknown []string
	for _, t := range printers.split(h.values.Get("printers")) {
		printer, _ := printers.find(t)
		spot := h.plateOn(printer)
		switch {
		case printer == "":
			unknown = append(unknown, t)
			h.wrong("printers", "There is no printer "+fq(t)+". Check the tag on its label.")
		case spot == nil:
			unknown = append(unknown, t)
			h.wrong("printers", "No plate is known to be on "+printer+". Take it out, or log the fitting first.")
		default:
			add(spot.Plate)
		}
	}
	if bay := h.values.Get("bay"); bay != "" {
		before := len(typed)
		for _, s := range h.spots {
			if s.Bay == bay {
				add(s.Plate)
			}
		}
		if len(typed) == before && !slices.ContainsFunc(h.spots, func(s store.Spot) bool { return s.Bay == bay }) {
			h.wrong("bay", "No plate is known to be on a printer in "+bay+".")
		}
	}
	h.values.Set("plates", strings.Join(typed, "\n"))
	h.values.Set("printers", strings.Join(unknown, ", "))
	h.values.Set("bay", "")
	return added, nil
}

// plates reads the list of plates, each once.
func (h *hand) plates() ([]string, error) {
	book, err := h.plateBook()
	if err != nil {
		return nil, err
	}
	var out []string
	for _, t := range book.split(h.values.Get("plates")) {
		tag, several := book.find(t)
		switch {
		case tag == "":
			h.wrong("plates", book.refuses(t, "plate", several))
		case !slices.Contains(out, tag):
			out = append(out, tag)
		}
	}
	switch {
	case len(out) == 0 && !slices.ContainsFunc(h.page.Problems, func(p views.FormProblem) bool { return p.Field == "plates" }):
		h.wrong("plates", "Name at least one plate.")
	case len(out) > mostChosen:
		h.wrong("plates", count(len(out))+" plates are on the list. Log up to "+count(mostChosen)+" at once.")
	}
	return out, nil
}
