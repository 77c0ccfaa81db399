package web

import (
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/store"
)

// What a release rests on, as it is kept with the hold.
const (
	releaseProved   = "proved"
	releaseOverride = "override"
)

// releaseWords says it where a released hold is shown.
var releaseWords = map[string]string{releaseProved: "proved before", releaseOverride: "without proof"}

// fixesRead is how many of the latest fixes of a thing are looked through for proof.
const fixesRead = 20

// proofSince tells what was shown of a held printer or plate since it was held: each
// fix that was made as advised with how its proof stands, and what else was recorded.
// is is what a release now rests on.
func (h *hand) proofSince(x *farm.Hold) (said []string, is string, err error) {
	is = releaseOverride
	of, err := h.s.store.ThingOf(h.ctx, x.SubjectKind, x.Subject)
	if err != nil {
		return nil, is, err
	}
	fixes, err := h.s.store.AdviceDoneTo(h.ctx, of, h.now, fixesRead)
	if err != nil {
		return nil, is, err
	}
	to := h.now
	for _, a := range fixes {
		if !proved[a.Action] || a.At.Before(x.PlacedAt) {
			continue
		}
		p, err := h.s.proof(h.ctx, of, a, to, to.Before(h.now), h.zone)
		if err != nil {
			return nil, is, err
		}
		if to.Equal(h.now) && p.Code == "held_up" { // the latest fix is the one that counts
			is = releaseProved
		}
		to = a.At
		said = append(said, p.What+", "+p.When+": "+strings.TrimSuffix(p.State.Word+", "+p.Words, ", ")+".")
	}
	kinds := []string{"service", "probe", "offset_change"}
	if x.SubjectKind == "plate" {
		kinds = []string{"cleaning"}
	}
	latest, err := h.s.store.LatestOf(h.ctx, of, 3, kinds...)
	if err != nil {
		return nil, is, err
	}
	for _, kind := range kinds {
		for _, e := range inForce(latest[kind]) {
			if e.At.After(x.PlacedAt) && !e.At.After(h.now) {
				said = append(said, h.sinceWords(&e))
				break
			}
		}
	}
	return said, is, nil
}

// sinceWords says one entry that may have mended what was held.
func (h *hand) sinceWords(e *store.HistoryEntry) string {
	what := map[string]string{"service": "Service: " + wordFor(workWords, e.Code), "probe": extentWord(e.Code), "offset_change": "Offset changed, " + offsetWords(e.FromMM, e.ToMM), "cleaning": wordFor(methodWords, e.Code)}[e.Kind]
	return what + ", " + clock(e.At, h.zone) + byWhom(e.Person) + "."
}
