package web

import (
	"net/url"
	"slices"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"
)

// mostAsked is how many plates on two printers are looked at.
const mostAsked = 50

// whichAct asks where a plate is that two records put on two printers. One tap records
// that it was moved; a start that names the wrong plate is corrected on its own page.
var whichAct = handAct{
	slug: "which", word: "Plates on two printers", title: "Which printer is the plate on?",
	prefil: []string{"plate"},
	names:  []string{"plate", "printer"},
	page: func(h *hand) error {
		x, more, err := h.twoPlaces()
		if err != nil {
			return err
		}
		if x == nil {
			h.page.Action, h.page.Lead = "", "No plate is on two printers: no first layer of the last week names a plate that is fitted elsewhere."
			h.page.After = views.ActLink{Word: "Back to Upkeep", Href: h.s.url("/upkeep")}
			return nil
		}
		h.page.Alone = true
		h.page.Lead = "Plate " + x.Plate + " is on " + x.Fitted + " by its fitting of " + clock(x.FittedAt, h.zone) + ", and on " + x.Started + " by the first layer that started there at " + clock(x.StartedAt, h.zone) + ". One of the two is wrong."
		if more > 0 {
			h.page.Notice = counted(more, "more plate is", "more plates are") + " on two printers; the next comes up after this one."
		}
		h.page.Hidden = []views.Fact{{Word: "plate", Value: x.Plate}, {Word: "printer", Value: x.Started}}
		h.page.Submit = "It was moved to " + x.Started
		h.page.After = views.ActLink{Word: "It stayed on " + x.Fitted + ": correct the first layer on " + x.Started, Href: h.s.url("/first-layers/" + x.Layer.String() + "/correct")}
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		x, _, err := h.twoPlaces()
		if err != nil {
			return nil, err
		}
		if x == nil || x.Plate != h.text("plate") || x.Started != h.text("printer") {
			return nil, nil // answered meanwhile: the next question comes up
		}
		h.when, h.back = x.StartedAt, "/upkeep/which"
		return []handRecord{h.record(farm.KindFitting, x.Plate, "fitted_at", map[string]string{"plate": x.Plate, "printer": x.Started})}, nil
	},
}

// twoPlaces is the plate the form is about, else the latest, and how many more there are.
func (h *hand) twoPlaces() (x *store.TwoPlaces, more int, err error) {
	list, err := h.s.store.TwoPlaces(h.ctx, h.now, mostAsked)
	if err != nil || len(list) == 0 {
		return nil, 0, err
	}
	i := max(0, slices.IndexFunc(list, func(x store.TwoPlaces) bool { return x.Plate == h.text("plate") }))
	return &list[i], len(list) - 1, nil
}

// asksWhich is the way to the question, where a plate is on two printers; of one printer or
// plate where its tag is given.
func (s *Server) asksWhich(list []store.TwoPlaces, tag string) views.ActLink {
	i := slices.IndexFunc(list, func(x store.TwoPlaces) bool {
		return tag == "" || slices.Contains([]string{x.Plate, x.Fitted, x.Started}, tag)
	})
	if i < 0 {
		return views.ActLink{}
	}
	x := list[i]
	return views.ActLink{Word: "Plate " + x.Plate + " is on two printers, " + x.Fitted + " and " + x.Started + ". Which is it?", Href: s.url("/upkeep/which?plate=" + url.QueryEscape(x.Plate))}
}
