package web

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// thingForm is one thing in a form: as it was found, as it was typed, and what
// is wrong with that.
type thingForm struct {
	kind     *setupKind
	zone     *time.Location
	before   any // as whoever typed found it; nil: a new one
	after    any
	typed    map[string]string // nil: nothing was typed yet
	act      string
	change   string // of act back: the number of the change
	problems []fault.Problem
	heading  string
	saved    string

	password      string              // what is wrong with a password
	pin           string              // what is wrong with a PIN
	screwTyped    []map[string]string // of a printer's screws
	screwProblems []views.FormProblem
}

// fields are those that the form asks for, in the table's order.
func (k *setupKind) fields() []*intake.Field {
	var list []*intake.Field
	t := k.table()
	for i := range t.Fields {
		if f := &t.Fields[i]; f.Name != k.ends {
			list = append(list, f)
		}
	}
	return list
}

// readThing reads what was sent. before is the thing as it is now, nil for a new
// one; the form brings the thing as it was found, so that what was saved
// meanwhile is noticed.
func (s *Server) readThing(c echo.Context, k *setupKind, before any) (*thingForm, error) {
	t := k.table()
	names := []string{"act", "seen", "change"}
	for _, f := range k.fields() {
		names = append(names, f.Name)
	}
	sent, err := readForm(c, names...)
	if err != nil {
		return nil, err
	}
	zone, err := s.farmZone(c.Request().Context())
	if err != nil {
		return nil, err
	}
	form := &thingForm{kind: k, zone: zone, before: before, after: t.New(), typed: map[string]string{}, act: sent["act"], change: sent["change"]}
	acts := []string{"", "save"}
	if before != nil {
		acts = append(acts, "back")
		if k.ends != "" {
			acts = append(acts, "end", "again")
		}
		if _, given := sent[k.key()]; given {
			return nil, badRequest(fault.Problem{Column: k.key(), Found: sent[k.key()], Expected: "the name left as it is: " + k.naming})
		}
		if form.before, err = unpackSeen(t, sent["seen"], k.nameOf(before), s.store.Now()); err != nil {
			return nil, err
		}
		form.after = copyOf(t, form.before)
	}
	if !slices.Contains(acts, form.act) {
		return nil, badRequest(fault.Problem{Column: "act", Found: form.act, Expected: "one of the page's own buttons"})
	}
	texts := map[string]string{}
	for _, f := range k.fields() {
		text, given := sent[f.Name]
		if !given {
			continue
		}
		form.typed[f.Name] = text
		plain, problem := canonical(f, text, form.before, zone)
		if problem != nil {
			form.problems = append(form.problems, *problem)
			continue
		}
		texts[f.Name] = plain
	}
	if before == nil {
		if _, given := texts[k.key()]; !given {
			texts[k.key()] = ""
		}
	}
	wrong := map[string]bool{}
	for _, p := range form.problems {
		wrong[p.Column] = true
	}
	for _, p := range intake.ParseFields(t, form.after, texts, s.store.Now()) {
		if !wrong[p.Column] {
			form.problems = append(form.problems, p)
		}
	}
	return form, nil
}

// canonical turns what was typed into the bundle's text. A field that shows what
// stands there already keeps it to the microsecond and the line break.
func canonical(f *intake.Field, typed string, before any, zone *time.Location) (string, *fault.Problem) {
	typed = strings.ReplaceAll(typed, "\r\n", "\n")
	if before != nil && typed == strings.ReplaceAll(typedText(f, before, zone), "\r\n", "\n") {
		return f.Text(before), nil
	}
	switch f.Type {
	case intake.Time:
		if strings.TrimSpace(typed) == "" {
			return "", nil
		}
		t, ok := localTime(typed, zone)
		if !ok {
			return "", &fault.Problem{Column: f.Name, Found: typed, Expected: "a time like 2026-03-09 14:05 that the clock did not leave out"}
		}
		return intake.Stamp(t), nil
	case intake.Number, intake.Whole:
		return tidyNumber(typed), nil
	case intake.Text:
		return strings.Trim(typed, " \t"), nil
	}
	return strings.TrimSpace(typed), nil
}

var unitsTyped = regexp.MustCompile(`(?i)\s*(mm|°c|min|h)$`)

// tidyNumber accepts a decimal comma, blanks and a unit.
func tidyNumber(typed string) string {
	typed = unitsTyped.ReplaceAllString(strings.TrimSpace(typed), "")
	typed = strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "", minus, "-").Replace(typed)
	if strings.Count(typed, ",") == 1 && !strings.Contains(typed, ".") {
		typed = strings.Replace(typed, ",", ".", 1)
	}
	return typed
}

// typedText is what a form shows of a field.
func typedText(f *intake.Field, rec any, zone *time.Location) string {
	if f.Type == intake.Time {
		return localText(*f.At(rec).(*time.Time), zone)
	}
	return f.Text(rec)
}

// packSeen writes a thing into one hidden field, and unpackSeen reads it.
func packSeen(t *intake.Table, rec any) string {
	texts := make([]string, len(t.Fields))
	for i := range t.Fields {
		texts[i] = t.Fields[i].Text(rec)
	}
	b, err := json.Marshal(texts)
	if err != nil {
		panic(err) // strings always can
	}
	return string(b)
}

func unpackSeen(t *intake.Table, packed, name string, now time.Time) (any, error) {
	var texts []string
	refuse := badRequest(fault.Problem{Column: "seen", Found: packed, Expected: "what the page itself sends"})
	if json.Unmarshal([]byte(packed), &texts) != nil || len(texts) != len(t.Fields) || texts[0] != name {
		return nil, refuse
	}
	by := map[string]string{}
	for i := range t.Fields {
		by[t.Fields[i].Name] = texts[i]
	}
	rec := t.New()
	if len(intake.ParseFields(t, rec, by, now)) > 0 {
		return nil, refuse
	}
	return rec, nil
}

// take keeps a refusal that says where for the form; others go on.
func (form *thingForm) take(err error) error {
	var refusal *fault.Error
	if errors.As(err, &refusal) && (refusal.Kind == fault.Invalid || refusal.Kind == fault.Conflict) && len(refusal.Problems) > 0 {
		form.problems = refusal.Problems
		return nil
	}
	return err
}

// meanwhile shows what somebody else saved: their values beside the typed ones.
// A field that only they changed takes theirs; one that both changed keeps what
// was typed and says what theirs is. Saving again then is a decision.
func (s *Server) meanwhile(ctx context.Context, form *thingForm, conflict error) error {
	k, t := form.kind, form.kind.table()
	var refusal *fault.Error
	if !errors.As(conflict, &refusal) || len(refusal.Problems) == 0 {
		return conflict
	}
	if p := refusal.Problems[0]; t.Field(p.Column) < 0 || p.Column == "role" && strings.HasPrefix(p.Expected, "admin: ") {
		form.problems = refusal.Problems
		return nil
	}
	now, err := s.store.Thing(ctx, k.kind, k.nameOf(form.before))
	if err != nil {
		return err
	}
	changes, err := s.store.ThingChanges(ctx, 1, store.ThingName{Kind: k.kind, Name: k.nameOf(form.before)})
	if err != nil {
		return err
	}
	who := "Somebody else"
	if len(changes) > 0 {
		who = changedBy(changes[0])
	}
	form.heading = sentence(who + " saved this meanwhile. Nothing was overwritten; look at the fields below and save again")
	form.problems = nil
	for _, p := range refusal.Problems {
		i := t.Field(p.Column)
		f := &t.Fields[i]
		theirs := shownValue(f, now, form.zone)
		words := "Now " + theirs + ". Taken into the field."
		if f.Same(form.after, form.before) {
			form.typed[f.Name] = typedText(f, now, form.zone)
		} else {
			words = "Now " + theirs + ". What you typed stands in the field."
		}
		if f.Name == k.ends {
			words = sentenceCase(wordOf(k.kind, f.Name).Label) + " is now " + theirs + "."
		}
		form.problems = append(form.problems, fault.Problem{Column: f.Name, Expected: words, Found: meanwhileMark})
	}
	form.before = now
	return nil
}

// meanwhileMark marks a problem whose words are whole already.
const meanwhileMark = "\x00"

var stampInText = regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z`)

// problemWords says a problem beside its field: what is wrong and what to do.
func problemWords(kind farm.Kind, p fault.Problem, zone *time.Location) string {
	if p.Found == meanwhileMark {
		return p.Expected
	}
	label := wordOf(kind, p.Column).Label
	if p.Found == "" && strings.HasPrefix(p.Expected, "a value: ") {
		return label + " is needed."
	}
	expected := stampInText.ReplaceAllStringFunc(p.Expected, func(text string) string {
		if t, ok := intake.ParseTime(text); ok {
			return clock(t, zone)
		}
		return text
	})
	for name := range fieldWords {
		if strings.Contains(name, "_") && !strings.Contains(name, ".") {
			expected = strings.ReplaceAll(expected, name, "“"+wordOf(kind, name).Label+"”")
		}
	}
	if p.Found == "" {
		return fmt.Sprintf("%s: needed is %s.", label, expected)
	}
	return fmt.Sprintf("%s: found “%s”, expected %s.", label, fault.Shorten(p.Found), expected)
}

// fieldsOf builds the form's questions.
func (s *Server) fieldsOf(ctx context.Context, form *thingForm, now time.Time) ([]views.Field, []views.FormProblem, error) {
	k := form.kind
	wrong := map[string]string{}
	var problems []views.FormProblem
	shown := map[string]bool{}
	var out []views.Field
	for _, p := range form.problems {
		words := problemWords(k.kind, p, form.zone)
		wrong[p.Column] = strings.TrimSpace(wrong[p.Column] + " " + words)
		problems = append(problems, views.FormProblem{Field: p.Column, Words: words})
	}
	for i, f := range k.fields() {
		w := wordOf(k.kind, f.Name)
		v := views.Field{Name: f.Name, Label: w.Label, Hint: w.Hint, Unit: w.Unit, Optional: !f.Required, Wrong: wrong[f.Name], Kind: "text"}
		shown[f.Name] = true
		if text, typed := form.typed[f.Name]; typed {
			v.Value = text
		} else if form.before != nil {
			v.Value = typedText(f, form.before, form.zone)
		}
		switch f.Type {
		case intake.Number, intake.Whole:
			v.Kind = "number"
			v.Hint = strings.TrimSpace(v.Hint + " " + rangeHint(f))
		case intake.Time:
			v.Kind = "when"
			v.Hint = strings.TrimSpace(v.Hint + " Farm time.")
		case intake.Code:
			v.Kind = "select"
			v.Options = codeOptions(f, v.Value)
			v.Optional = v.Optional && v.Options[0].Value == ""
		case intake.Key:
			v.Longest = 64
			if f.Ref != "" {
				names, err := s.store.ThingNames(ctx, f.Ref, now, 500)
				if err != nil {
					return nil, nil, err
				}
				v.Suggest = names
			}
		case intake.Text:
			if f.Name == "note" || f.Name == "says" || strings.ContainsAny(v.Value, "\r\n") {
				v.Kind = "area"
			}
			if f.Name == "bay" {
				bays, err := s.store.Bays(ctx, now, false)
				if err != nil {
					return nil, nil, err
				}
				v.Suggest = bayNames(bays)
			}
		}
		if i == 0 && form.before != nil {
			v.Kind, v.Hint, v.Optional = "fixed", k.naming, false
		}
		out = append(out, v)
	}
	for i := range problems {
		if !shown[problems[i].Field] {
			problems[i].Field = ""
		}
	}
	return out, problems, nil
}

// rangeHint says which numbers a field takes, as a sentence.
func rangeHint(f *intake.Field) string {
	text := strings.TrimPrefix(strings.TrimPrefix(f.NumberExpected(), "a number "), "a whole number ")
	return sentence(strings.TrimPrefix(text, "of "))
}

// defaultCodes are what the database sets where a new thing's code is empty.
var defaultCodes = map[string]string{"probing_recorded": "all", "role": "operator"}

func codeOptions(f *intake.Field, value string) []views.Option {
	var list []views.Option
	if standard := defaultCodes[f.Name]; standard == "" {
		word := "no record"
		if f.Required {
			word = "choose"
		}
		list = append(list, views.Option{Word: word, Chosen: value == ""})
	} else if value == "" {
		value = standard
	}
	for _, code := range f.Codes {
		list = append(list, views.Option{Value: code, Word: wordFor(codeWords[f.Name], code), Chosen: code == value})
	}
	return list
}

// renderThing shows the form.
func (s *Server) renderThing(c echo.Context, status int, form *thingForm) error {
	ctx, now, k := c.Request().Context(), s.now(), form.kind
	fields, problems, err := s.fieldsOf(ctx, form, now)
	if err != nil {
		return err
	}
	list := s.url("/setup/" + k.path)
	p := views.SetupFormPage{Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: sentenceCase(k.many), Href: list}},
		WhatIs: k.help, Saved: form.saved, Problems: problems, Fields: fields}
	if len(form.problems) > 0 {
		p.Trouble = "Not saved yet"
		if form.heading != "" {
			p.Trouble = form.heading
		}
	}
	if form.before == nil {
		article := "a "
		if k.kind == farm.KindInstrument {
			article = "an "
		}
		p.Shell, p.Action, p.Submit = withClock(s.shell(c, "Add "+article+k.one, "/setup"), now, form.zone), s.url("/setup/"+k.add), "Add the "+k.one
		return render(c, status, views.SetupForm(p))
	}
	name := k.nameOf(form.before)
	here := list + "/" + url.PathEscape(name)
	seen := views.Fact{Word: "seen", Value: packSeen(k.table(), form.before)}
	p.Shell, p.Action, p.Submit, p.Hidden = withClock(s.shell(c, sentenceCase(k.one)+" "+name, "/setup"), now, form.zone), here, "Save", []views.Fact{seen}
	if k.ends != "" {
		act := views.SetupAct{Word: k.endWord + " " + name, Note: k.endNote, Action: here, Hidden: []views.Fact{seen, {Word: "act", Value: "end"}}, Danger: true}
		if k.over(form.before, now) {
			p.State = k.ended
			p.State.Word += " since " + clock(k.endedAt(form.before), form.zone)
			act = views.SetupAct{Word: k.back, Action: here, Hidden: []views.Fact{seen, {Word: "act", Value: "again"}}}
		}
		p.Acts = []views.SetupAct{act}
	}
	things := []store.ThingName{{Kind: k.kind, Name: name}}
	switch k.kind {
	case farm.KindPrinter:
		names, err := s.addScrews(ctx, &p, form, name, here)
		if err != nil {
			return err
		}
		things = append(things, names...)
	case farm.KindPerson:
		if err := s.addAccount(ctx, &p, form, name, here); err != nil {
			return err
		}
	}
	changes, err := s.store.ThingChanges(ctx, 50, things...)
	if err != nil {
		return err
	}
	p.Changes = changesTable(changes, form.zone)
	if last, ok := reversible(changes, k, name); ok {
		p.Back = views.SetupAct{Word: "Take the latest change back", Action: here,
			Hidden: []views.Fact{seen, {Word: "act", Value: "back"}, {Word: "change", Value: strconv.FormatInt(last, 10)}}}
	}
	return render(c, status, views.SetupForm(p))
}
