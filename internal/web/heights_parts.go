package web

import (
	"context"
	"slices"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// plateHeights is what the book says of a plate, on its page.
func (s *Server) plateHeights(h *assess.HeightBook, tag string) views.HeightsPart {
	if h == nil || h.Framed == 0 {
		return views.HeightsPart{}
	}
	p := views.HeightsPart{Title: "Thickness", Book: s.url("/heights"), Table: views.Table{Caption: "Against other plates",
		Columns: []views.Column{{Word: "Side"}, {Word: "Than the mean", Number: true}, {Word: "Likely"}, {Word: "Layers", Number: true}, {Word: "Measured on"}}}}
	sides := h.Sides(tag)
	if len(sides) == 0 {
		p.Lines = []string{"Not known: no layer was measured on it yet, on a printer whose zero is the frame."}
		return p
	}
	others := 0
	for _, x := range h.Book.Sides {
		if x.Group == sides[0].Group {
			others++
		}
	}
	for _, x := range sides {
		cells := append([]views.Cell{{Text: sideName(x.Side)}}, thicknessCells(x)...)
		p.Table.Rows = append(p.Table.Rows, views.Row{Cells: append(cells, views.Cell{Text: count(x.Layers)}, views.Cell{Text: measuredOn(h, x)})})
	}
	if len(sides) == 2 && sides[0].Side != 0 && sides[1].Side != 0 {
		p.Lines = append(p.Lines, differWords(h, onPlate{tag, string(rune(sides[0].Side))}, onPlate{tag, string(rune(sides[1].Side))}, 0.01))
	}
	p.Sub = "The mean is that of " + counted(others, "plate side", "plate sides") + " which layers connect. Where a printer takes its zero from the plate, thickness makes no difference."
	return p
}

// printerHeightsPart is what the book says of a printer and of the plate on it.
func (s *Server) printerHeightsPart(ctx context.Context, h *assess.HeightBook, x *stand, now time.Time) (views.HeightsPart, error) {
	tag := x.row.Printer
	if h == nil || h.Framed == 0 || x.row.RetiredAt != nil {
		return views.HeightsPart{}, nil
	}
	p := views.HeightsPart{Title: "Height", Book: s.url("/heights")}
	zero, why := h.Printer(tag)
	if why != "" {
		p.Lines = []string{whyNotExpected(why, tag, "")}
		return p, nil
	}
	p.Lines = append(p.Lines, "Over a mean plate the nozzle stands "+awayWords(zero.MM, "too high", "too low")+" as the printer is set now (likely "+between(zero.LowMM, zero.HighMM, "too high", "too low")+").")
	if x.row.Plate != "" {
		plate := onPlate{tag: x.row.Plate}
		latest, err := s.store.LatestOf(ctx, store.Thing{Printer: x.row.ID}, 1, "fitting")
		if err != nil {
			return p, err
		}
		if list := latest["fitting"]; len(list) > 0 && list[0].Other == plate.tag {
			plate.side = list[0].Side
		}
		words, _ := expectWords(h, tag, plate)
		p.Lines = append(p.Lines, words)
	}
	p.Sub = "From " + counted(zero.Layers, "layer", "layers") + " with " + counted(zero.Plates, "plate side", "plate sides") + ", the last " + ago(h.When(zero.LastDay), now) + "."
	return p, nil
}

// swapNotice says at the fitting form what to expect, once plate and printer are
// known; on is the plate that lies there.
func (h *hand) swapNotice(on *store.Spot) string {
	printer, plate := h.text("printer"), h.text("plate")
	if printer == "" || plate == "" || len(h.page.Problems) > 0 {
		return ""
	}
	book := h.s.heightsBeside(h.ctx, h.now, store.DataVersion{})
	if book == nil || book.PrinterNumber(printer) < 0 || book.PlateNumber(plate) < 0 {
		return ""
	}
	was := onPlate{}
	if on != nil && on.Plate != plate {
		was = onPlate{on.Plate, on.Side}
	}
	return swapWords(book, printer, onPlate{plate, h.text("plate_side")}, was)
}

// heightsAfter says after a fitting was saved which move to expect; "" after
// anything else.
func (s *Server) heightsAfter(ctx context.Context, a *store.HandAct) (string, error) {
	i := slices.IndexFunc(a.Entries, func(e store.HandEntry) bool {
		return farm.Kind(e.Kind) == farm.KindFitting && !e.Filled && !e.Voided && e.Other != ""
	})
	if i < 0 || s.cfg.Heights == nil {
		return "", nil
	}
	e := a.Entries[i]
	book := s.heightsBeside(ctx, s.now(), store.DataVersion{})
	if book == nil || book.PlateNumber(e.Subject) < 0 {
		return "", nil
	}
	before, err := s.store.Spots(ctx, e.At.Add(-time.Microsecond))
	if err != nil {
		return "", err
	}
	was := onPlate{}
	for _, x := range before {
		if x.Printer == e.Other && x.Plate != e.Subject {
			was = onPlate{x.Plate, x.Side}
		}
	}
	after, err := s.store.Spots(ctx, e.At)
	if err != nil {
		return "", err
	}
	now := onPlate{tag: e.Subject}
	for _, x := range after {
		if x.Plate == e.Subject {
			now.side = x.Side
		}
	}
	return swapWords(book, e.Other, now, was), nil
}
