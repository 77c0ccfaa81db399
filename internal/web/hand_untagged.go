package web

import (
	"errors"
	"fmt"
	"net/url"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"
)

// noTagAct gives a plate whose tag is missing a provisional one, so that what is
// recorded of it is not lost and not another plate's.
var noTagAct = handAct{
	slug: "no-tag", word: "Plate without a tag", title: "Give a plate a provisional tag",
	prefil: []string{"printer"},
	names:  []string{"printer", "surface", "plate_side"},
	page: func(h *hand) error {
		printer, err := h.printerField("Where it lies. Leave it empty for a plate in the rack.")
		if err != nil {
			return err
		}
		printer.Optional = true
		surface := h.text("surface")
		if surface == "" {
			if surface, err = h.likelySurface(); err != nil {
				return err
			}
		}
		options := make([]views.Option, len(farm.Surfaces))
		for i, code := range farm.Surfaces {
			options[i] = views.Option{Value: code, Word: sentenceCase(wordFor(surfaceWords, code)), Chosen: code == surface}
		}
		h.page.Lead = "For a plate that has no tag, or none that can be read. It gets the next number, " + farm.UntaggedPrefix + "1, " + farm.UntaggedPrefix + "2 and so on, to write on its tab with a paint marker. When its own tag turns up, join the two: all that was recorded moves."
		h.page.Fields = []views.Field{printer, {Name: "surface", Label: "Surface", Kind: "select", Options: options}, sideField(h, "Side up")}
		h.page.Submit = "Give it a tag"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer := ""
		if h.text("printer") != "" {
			var err error
			if printer, err = h.printer("printer"); err != nil {
				return nil, err
			}
		}
		h.code("surface", farm.Surfaces, "Choose a surface.")
		side := h.code("plate_side", farm.Sides, "")
		if len(h.page.Problems) > 0 {
			return nil, nil
		}
		// The tag is drawn when it is stored.
		if printer == "" {
			return []handRecord{h.record(farm.KindPlateState, "", "at", map[string]string{"plate": farm.Untagged(1), "state": "in_use", "reason": "no tag on it"})}, nil
		}
		return []handRecord{h.record(farm.KindFitting, "", "fitted_at", map[string]string{"plate": farm.Untagged(1), "printer": printer, "plate_side": side})}, nil
	},
	store: func(h *hand, items []intake.Item) (store.Batch, error) {
		plate := farm.Plate{Surface: h.text("surface"), SizeXMM: farm.Unknown(), SizeYMM: farm.Unknown()}
		b, tag, err := h.s.store.RecordUntagged(h.ctx, h.who.act("page"), plate, items)
		if err == nil && h.back == "" {
			h.back = "/plates/" + url.PathEscape(tag)
		}
		return b, err
	},
}

// likelySurface is that of the plate that was on the printer, else the farm's commonest.
func (h *hand) likelySurface() (string, error) {
	on, err := h.onPrinter(h.text("printer"))
	if err != nil || on != nil {
		return surfaceOf(on), err
	}
	list, err := h.s.store.Plates(h.ctx, "", mostSuggested)
	if err != nil {
		return "", err
	}
	count, best := map[string]int{}, ""
	for _, p := range list {
		if count[p.Surface]++; best == "" || count[p.Surface] > count[best] {
			best = p.Surface
		}
	}
	return best, nil
}

func surfaceOf(on *store.Spot) string {
	if on == nil {
		return ""
	}
	return on.Surface
}

// joinAct joins a plate that has a provisional tag with its own.
var joinAct = handAct{
	slug: "join", word: "Plate's own tag found", title: "Join a plate with its own tag",
	prefil: []string{"plate"},
	names:  []string{"plate", "into"},
	page: func(h *hand) error {
		var untagged []views.Option
		list, err := h.s.store.Plates(h.ctx, farm.UntaggedPrefix, 500)
		if err != nil {
			return err
		}
		chosen := h.text("plate")
		for _, p := range list {
			if farm.IsUntagged(p.Tag) && p.RetiredAt.IsZero() {
				untagged = append(untagged, views.Option{Value: p.Tag, Word: p.Tag, Chosen: p.Tag == chosen})
			}
		}
		if len(untagged) == 0 {
			h.page.Action, h.page.Lead = "", "No plate has a provisional tag. Plates get one where their own is missing or can't be read."
			h.page.After = views.ActLink{Word: "Give a plate a provisional tag", Href: h.s.url("/upkeep/no-tag")}
			return nil
		}
		own, err := h.plateField("The tag it turned out to have, for example L-203. One that is new to the farm becomes a plate of the same surface.")
		if err != nil {
			return err
		}
		own.Name, own.Label, own.Value = "into", "Its own tag", h.text("into")
		h.page.Lead = "What was recorded under the provisional tag stands under the plate's own afterwards, each record replaced with the reason; the provisional tag is retired. Undo takes it back."
		if chosen != "" && h.opens {
			if h.page.Notice, err = h.countsOf(chosen); err != nil {
				return err
			}
		}
		h.page.Fields = []views.Field{{Name: "plate", Label: "Provisional tag", Kind: "select", Options: untagged}, own}
		h.page.Submit = "Join them"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		from, typed := h.text("plate"), scanned(h.text("into"))
		if !farm.IsUntagged(from) {
			h.wrong("plate", "Choose the provisional tag.")
		}
		into := typed
		if typed == "" {
			h.wrong("into", "Give the plate's own tag.")
		} else if book, err := h.plateBook(); err != nil {
			return nil, err
		} else if tag, several := book.find(typed); len(several) > 0 {
			h.wrong("into", book.refuses(typed, "plate", several))
		} else if tag != "" {
			into = tag
		} else if !farm.ValidKey(typed, 64) {
			h.wrong("into", "A tag has at most 64 letters, digits, dashes or dots.")
		}
		if len(h.page.Problems) > 0 {
			return nil, nil
		}
		h.values.Set("into", into)
		return []handRecord{h.record(farm.KindPlateState, from, "at", map[string]string{"plate": from, "state": "retired", "reason": "joined with " + into})}, nil
	},
	store: func(h *hand, items []intake.Item) (store.Batch, error) {
		b, err := h.s.store.JoinPlates(h.ctx, h.who.act("page"), items[0].ID.UUID, h.text("plate"), h.text("into"), h.when)
		if err == nil {
			h.back = "/plates/" + url.PathEscape(h.text("into"))
		}
		var refused *fault.Error
		if errors.As(err, &refused) && refused.Kind == fault.Invalid { // at the form's fields, which have the store's names
			for _, p := range refused.Problems {
				h.wrong(p.Column, sentence("Found "+fault.Quote(p.Found)+", expected "+p.Expected))
			}
			return b, fault.New(fault.Invalid, "the plates can't be joined")
		}
		return b, err
	},
}

// countsOf says what would be joined.
func (h *hand) countsOf(plate string) (string, error) {
	counts, err := h.s.store.NamedBy(h.ctx, plate)
	if err != nil {
		return "", err
	}
	var words []string
	other := 0
	for _, n := range counts {
		other += n
	}
	for _, x := range []struct {
		kind      farm.Kind
		one, many string
	}{{farm.KindFirstLayer, "first layer", "first layers"}, {farm.KindCleaning, "cleaning", "cleanings"}, {farm.KindFitting, "fitting", "fittings"}} {
		n := counts[x.kind]
		other -= n
		switch {
		case n == 1:
			words = append(words, "1 "+x.one)
		case n > 1:
			words = append(words, fmt.Sprintf("%d %s", n, x.many))
		}
	}
	if other > 0 {
		words = append(words, fmt.Sprintf("%d other records", other))
	}
	if len(words) == 0 {
		return "Nothing is recorded under " + plate + ".", nil
	}
	return "Under " + plate + " stand " + strings.Join(words, ", ") + ".", nil
}
