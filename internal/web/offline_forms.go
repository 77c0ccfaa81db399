package web

import (
	"net/url"

	"basecourse/internal/farm"
	"basecourse/views"
)

// awayAct is a form that works without network: the fields of the form with
// network that need no look into the database, under the same names, so that one
// script makes records of both.
type awayAct struct {
	slug, title, lead, submit string
	danger                    bool
	caution                   string
	fields                    func(h *hand) (fields, more []views.Field)
}

const (
	awayHot    = "Let hot beds cool as your workplace and the maker say before you touch them."
	awayMotion = "The machine may move: keep hands out, as the maker says. "
)

// awayActs are those forms, in the order in which they are offered.
var awayActs = []awayAct{
	{slug: "clean", title: "Log a cleaning", submit: "Save cleaning", lead: "For one plate or many.",
		caution: "Solvents burn and their vapour harms: air the room, keep them off hot beds, and follow the label and your workplace’s rules. " + awayHot,
		fields: func(h *hand) ([]views.Field, []views.Field) {
			plates := views.Field{Name: "plates", Label: "Plates", Kind: "area", Value: h.values.Get("plates"), Hint: "One tag a line, typed or scanned, for example L-203. A printer’s tag stands for the plate on it."}
			return append([]views.Field{plates}, cleanFields(h)...), nil
		}},
	{slug: "probe", title: "Log a probe", submit: "Save probe", lead: "For a probe that was made. A mesh is read here where it is rows of numbers alone; leave any other for when there is network.", caution: awayMotion + awayHot,
		fields: func(h *hand) ([]views.Field, []views.Field) {
			fields, more := probeFields(h)
			return append([]views.Field{awayTag("printer", "Printer", "For example P-014."), {Name: "plate", Label: "Plate", Optional: true, Longest: 64, Hint: "As it lay while probing."}}, fields...), more
		}},
	{slug: "skip", title: "Log a skipped probe", submit: "Save skip", lead: "It is no fault to skip: the reason helps to tell what probing is worth.",
		fields: func(h *hand) ([]views.Field, []views.Field) {
			return []views.Field{awayTag("printer", "Printer", "For example P-014."), skipReason(h), {Name: "note", Label: "Note", Optional: true, Longest: 1000}}, nil
		}},
	{slug: "fit", title: "Log a fitting or swap", submit: "Save fitting", caution: awayMotion + awayHot,
		fields: func(h *hand) ([]views.Field, []views.Field) {
			return []views.Field{awayTag("plate", "Plate", "For example L-203."), awayTag("printer", "Printer", "Where it is fitted now, for example P-014."),
				sideField(h, "Side up"), turnedField(h), oldPlateField(h)}, nil
		}},
	{slug: "hold", title: "Hold a printer or plate", submit: "Save hold", danger: true, lead: "No job should start on a printer or with a plate that is on hold, until it is released with a reason. Others see it once this device has network: tell them.",
		caution: holdCaution,
		fields: func(*hand) ([]views.Field, []views.Field) {
			return []views.Field{awayTag("subject", "Printer or plate", "Its tag, for example P-014 or L-203."), {Name: "reason", Label: "Why", Kind: "area", Hint: "For the next shift to read, for example: bed heater drops out."}}, nil
		}},
	{slug: "release", title: "Release a hold", submit: "Save release", caution: releaseCaution,
		fields: func(*hand) ([]views.Field, []views.Field) {
			return []views.Field{{Name: "hold", Label: "Hold", Kind: "choice"}, {Name: "reason", Label: "Why it may go on", Kind: "area", Hint: "What was found or done, for example: heater cable replaced, bed holds 60 °C."}}, nil
		}},
}

func awayTag(name, label, hint string) views.Field {
	return views.Field{Name: name, Label: label, Hint: hint + " Typed or scanned.", Longest: 64}
}

// awayPage is the page with every form in it, without a record.
func (s *Server) awayPage(sh views.Shell) views.AwayPage {
	sh.Title, sh.Nav = "Without network", s.offlineNav()
	p := views.AwayPage{Shell: sh, Script: s.asset("away.js"), Floor: s.url("/floor"), Grade: s.awayGrade()}
	h := &hand{values: url.Values{}}
	for _, a := range awayActs {
		f := views.FormPage{Action: s.url("/upkeep/" + a.slug), Lead: a.lead, Caution: a.caution, Submit: a.submit, Danger: a.danger, Hidden: []views.Fact{{Word: "id"}}}
		f.Title = a.title
		f.Fields, f.More = a.fields(h)
		f.Fields = append(f.Fields, views.Field{Name: "when", Label: "When", Kind: "when", Hint: "In the farm’s time. Change it for what was done earlier."}, awayPerson("Done by"))
		p.Forms = append(p.Forms, views.AwayForm{Slug: a.slug, Word: a.title, Form: f})
	}
	return p
}

func awayPerson(label string) views.Field {
	return views.Field{Name: "person", Label: label, Kind: "select"}
}

// awayGrade is the grading form of any printer; the script lays its map out.
func (s *Server) awayGrade() views.GradePage {
	g := &grading{hand: &hand{values: url.Values{}}, printer: &farm.Printer{}}
	p := &g.grade
	p.Script, p.Action, p.Quick, p.Submit = s.asset("grade.js"), s.url("/grade"), true, "Save grade"
	p.Photo = views.PhotoPick{Script: s.asset("photos.js")}
	p.Hidden = []views.Fact{{Word: "id"}, {Word: "start"}, {Word: "started"}, {Word: "marks"}, {Word: "bare"}}
	p.Own = []views.Field{{Name: "when", Label: "Started", Kind: "when", Hint: "In the farm’s time."}}
	p.Fields = []views.Field{{Name: "plate", Label: "Plate", Optional: true, Longest: 64, Hint: "Its tag, typed or scanned. Leave it empty where nobody knows."}, sideField(g.hand, "Side up"), turnedField(g.hand)}
	p.Probed = []views.Field{probedField(g.hand)}
	g.looks()
	p.Rest = restOf(g.hand.values, nil, nil)
	p.Person = awayPerson("Graded by")
	p.Readings = views.ReadingsPart{Sort: readingsSort(g.hand.values), Instrument: views.Field{Name: "instrument", Label: "Measured with", Optional: true, Longest: 64}}
	return *p
}
