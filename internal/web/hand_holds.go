package web

import (
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/views"
)

const (
	holdCaution    = "A hold is a word to people: it stops no machine. Make it safe by the workplace’s rules and the maker’s instructions first."
	releaseCaution = "Release says that jobs may start again. It does not say that the machine is safe to touch: that is for whoever is at it, by the workplace’s rules."
)

var holdAct = handAct{
	slug: "hold", word: "Hold", title: "Hold a printer or plate",
	prefil: []string{"printer", "plate"},
	names:  []string{"printer", "plate", "subject", "reason"},
	page: func(h *hand) error {
		kind, tag, err := h.subject()
		if err != nil {
			return err
		}
		if tag == "" {
			h.page.Lead = "No job should start on a printer or with a plate that is on hold, until it is released with a reason."
			h.page.Fields = []views.Field{{Name: "subject", Label: "Printer or plate", Value: h.values.Get("subject"), Longest: 64, Hint: "Its tag, for example P-014 or L-203."}}
			h.page.Submit = "Go on"
			return nil
		}
		h.page.Shell.Title = "Hold " + tag
		h.page.Lead = "No job should start " + map[string]string{"printer": "on printer ", "plate": "with plate "}[kind] + tag + " until it is released with a reason."
		h.page.Caution = holdCaution
		h.page.Hidden = []views.Fact{{Word: kind, Value: tag}}
		h.page.Fields = []views.Field{{Name: "reason", Label: "Why", Kind: "area", Value: h.values.Get("reason"), Hint: "For the next shift to read, for example: bed heater drops out."}}
		h.page.Submit, h.page.Danger = "Hold "+tag, true
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		if h.text("printer") == "" && h.text("plate") == "" {
			return nil, h.chooseSubject()
		}
		kind, tag, err := h.subject()
		if err != nil || tag == "" {
			return nil, err
		}
		reason := h.text("reason")
		if reason == "" {
			h.wrong("reason", "Say why: a hold stands until somebody can tell that its reason is gone.")
		}
		open, err := h.openHolds(kind, tag)
		if err != nil {
			return nil, err
		}
		if len(open) > 0 {
			h.wrong("", tag+" is on hold already, since "+clock(open[0].PlacedAt, h.zone)+withReason(open[0].Reason)+" Release that hold first.")
		}
		return []handRecord{h.record(farm.KindHold, tag, "placed_at", map[string]string{"subject_kind": kind, "subject": tag, "reason": reason})}, nil
	},
}

// subject is the printer or plate that is named by its kind.
func (h *hand) subject() (kind, tag string, err error) {
	for _, kind := range []string{"printer", "plate"} {
		typed := h.text(kind)
		if typed == "" {
			continue
		}
		book, err := h.printerBook()
		if kind == "plate" {
			book, err = h.plateBook()
		}
		if err != nil {
			return "", "", err
		}
		found, several := book.find(typed)
		if found != "" {
			return kind, found, nil
		}
		h.values = cloneValues(h.values)
		h.values.Set("subject", typed)
		h.values.Del(kind)
		h.wrong("subject", book.refuses(typed, kind, several))
	}
	return "", "", nil
}

// chooseSubject takes the first step: one tag, of a printer or of a plate.
func (h *hand) chooseSubject() error {
	typed := h.text("subject")
	printers, err := h.printerBook()
	if err != nil {
		return err
	}
	plates, err := h.plateBook()
	if err != nil {
		return err
	}
	printer, _ := printers.find(typed)
	plate, _ := plates.find(typed)
	switch {
	case typed == "":
		h.wrong("subject", "Give the tag of a printer or plate.")
	case printer != "" && plate != "":
		h.wrong("subject", fq(typed)+" is a printer and a plate. Go to its page and hold it there.")
	case printer != "":
		h.values.Set("printer", printer)
	case plate != "":
		h.values.Set("plate", plate)
	case len(printers.near(typed)) > 0:
		h.wrong("subject", printers.refuses(typed, "printer", nil))
	case len(plates.near(typed)) > 0:
		h.wrong("subject", plates.refuses(typed, "plate", nil))
	default:
		h.wrong("subject", "There is no printer or plate "+fq(typed)+". Check the tag on its label.")
	}
	return nil
}

// openHolds gives the holds in force on a printer or plate just before.
func (h *hand) openHolds(kind, tag string) ([]*farm.Hold, error) {
	all, err := h.s.store.OpenHolds(h.ctx, h.justBefore())
	if err != nil {
		return nil, err
	}
	var list []*farm.Hold
	for _, x := range all {
		if x.SubjectKind == kind && x.Subject == tag {
			list = append(list, x)
		}
	}
	return list, nil
}

// releaseAct is reached from what is on hold.
var releaseAct = handAct{
	slug: "release", word: "Release", title: "Release a hold",
	prefil: []string{"printer", "plate", "hold"},
	names:  []string{"printer", "plate", "hold", "reason"},
	page: func(h *hand) error {
		list, err := h.holdsToRelease()
		if err != nil {
			return err
		}
		if len(list) == 0 {
			h.page.Notice, h.page.Action = "No hold is in force there. It was released, or its entry undone.", ""
			h.page.After = views.ActLink{Word: "Holds in force", Href: h.s.url("/upkeep?list=holds")}
			return nil
		}
		tag := list[0].Subject
		h.page.Shell.Title = "Release " + tag
		choice := views.Field{Name: "hold", Label: "Hold", Kind: "choice"}
		for _, x := range list {
			choice.Options = append(choice.Options, views.Option{Value: x.ID.UUID.String(), Word: sentence(orNoRecord(x.Reason)),
				Note: "placed " + clock(x.PlacedAt, h.zone) + byWhom(x.Person), Chosen: len(list) == 1 || h.values.Get("hold") == x.ID.UUID.String()})
		}
		h.page.Lead = "On hold because: " + sentenceLower(orNoRecord(list[0].Reason)) + " Placed " + clock(list[0].PlacedAt, h.zone) + byWhom(list[0].Person) + "."
		h.page.Caution = releaseCaution
		said, is, err := h.proofSince(list[0])
		if err != nil {
			return err
		}
		h.page.Listed, h.page.ListTitle = said, "Recorded since it was placed"
		if len(list) > 1 {
			h.page.Lead = tag + " is on hold for more than one reason. Release them one by one."
			h.page.Fields = append(h.page.Fields, choice)
		} else {
			h.page.Hidden = append(h.page.Hidden, views.Fact{Word: "hold", Value: list[0].ID.UUID.String()})
		}
		h.page.Hidden = append(h.page.Hidden, views.Fact{Word: list[0].SubjectKind, Value: tag})
		h.page.Fields = append(h.page.Fields, views.Field{Name: "reason", Label: "Why it may go on", Kind: "area", Value: h.values.Get("reason"), Hint: "What was found or done, for example: heater cable replaced, bed holds 60 °C."})
		h.page.Submit = "Release " + tag
		if is == releaseOverride {
			h.page.Submit += " without proof"
			h.page.Notice = "No fix of " + tag + " has held up since. You release it on your own word, and the record says so."
		}
		return nil
	},
	build: buildRelease,
}

func byWhom(person string) string {
	if person == "" {
		return ""
	}
	return " by " + person
}

// holdsToRelease are the holds in force on what the address or form names.
func (h *hand) holdsToRelease() ([]*farm.Hold, error) {
	all, err := h.s.store.OpenHolds(h.ctx, h.now)
	if err != nil {
		return nil, err
	}
	var list []*farm.Hold
	for _, x := range all {
		if x.ID.UUID.String() == h.values.Get("hold") && h.values.Get("printer") == "" && h.values.Get("plate") == "" ||
			x.SubjectKind == "printer" && x.Subject == h.values.Get("printer") || x.SubjectKind == "plate" && x.Subject == h.values.Get("plate") {
			list = append(list, x)
		}
	}
	return list, nil
}

func buildRelease(h *hand) ([]handRecord, error) {
	reason := h.text("reason")
	if reason == "" {
		h.wrong("reason", "Say why it may go on: what was found or done.")
	}
	if h.text("hold") == "" {
		h.wrong("hold", "Choose the hold to release.")
		return nil, nil
	}
	id, err := farm.NewID(farm.KindHold, h.text("hold"))
	if err != nil {
		return nil, badRequest(fault.Problem{Column: "hold", Found: h.text("hold"), Expected: "the id of a hold"})
	}
	rec, err := h.s.store.Event(h.ctx, farm.KindHold, id)
	if err != nil {
		return nil, err
	}
	x := rec.(*farm.Hold)
	if !x.VoidedAt.IsZero() {
		h.wrong("", "This hold was undone. There is nothing to release.")
		return nil, nil
	}
	if !x.ReleasedAt.IsZero() && !x.ReleasedAt.Equal(h.when) {
		h.wrong("", "It was released already, "+clock(x.ReleasedAt, h.zone)+byWhom(x.ReleasedBy)+".")
		return nil, nil
	}
	_, is, err := h.proofSince(x)
	if err != nil {
		return nil, err
	}
	if !x.ReleasedAt.IsZero() {
		is = x.ReleaseIs // the same form again
	}
	if h.when.Before(x.PlacedAt) {
		h.wrong("when", "It was placed "+clock(x.PlacedAt, h.zone)+". It cannot be released before.")
	}
	r := handRecord{kind: farm.KindHold, id: id.UUID, about: x.Subject, from: map[string]string{"released_at": "when", "released_by": "person", "release_reason": "reason"},
		fields: map[string]string{"subject_kind": x.SubjectKind, "subject": x.Subject, "placed_at": stamp(x.PlacedAt),
			"released_at": stamp(h.when), "released_by": h.person, "release_reason": reason, "release_is": is}}
	return []handRecord{r}, nil
}
