package web

import (
	"context"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"
)

// changedBy names who made a change.
func changedBy(ch store.ThingChange) string {
	switch {
	case ch.Person != "":
		return ch.Person
	case ch.Token != "":
		return "token " + ch.Token
	case ch.Via == "import":
		return "an import"
	case ch.Via == "command":
		return "a command on the server"
	}
	return "the program"
}

func changesTable(changes []store.ThingChange, zone *time.Location) views.Table {
	t := views.Table{Caption: "Changes", Columns: []views.Column{{Word: "When", Whole: true}, {Word: "Who"}, {Word: "What"}, {Word: "From"}, {Word: "To"}}}
	for _, ch := range changes {
		what := wordOf(ch.Kind, ch.Field).Label
		switch ch.Kind {
		case farm.KindScrew:
			what = "Screw " + ch.Thing + ": " + strings.ToLower(what)
		case farm.KindSetting:
			what = settingWords[ch.Thing].Label
		}
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: clock(ch.At, zone)}, {Text: changedBy(ch), Note: ch.Why}, {Text: what},
			{Text: changeText(ch.Field, ch.Was, zone)}, {Text: changeText(ch.Field, ch.Became, zone)}}})
	}
	return t
}

func changeText(field, text string, zone *time.Location) string {
	if text == "" {
		return "nothing"
	}
	if t, ok := intake.ParseTime(text); ok {
		return clock(t, zone)
	}
	return fault.Shorten(wordFor1(codeWords[field], text))
}

// wordFor1 looks a code up and leaves other texts as they are.
func wordFor1(words map[string]string, text string) string {
	if w, ok := words[text]; ok {
		return w
	}
	return text
}

// reversible gives the latest change of a thing when it can be taken back: a
// change of fields, not the thing's coming into being and not how a person signs
// in.
func reversible(changes []store.ThingChange, k *setupKind, name string) (act int64, ok bool) {
	for _, ch := range changes {
		if ch.Kind != k.kind || ch.Thing != name || act != 0 && ch.Act != act {
			continue
		}
		if ch.Field == k.key() || k.table().Field(ch.Field) < 0 {
			return 0, false
		}
		act = ch.Act
	}
	return act, act != 0
}

// takeBack sets the fields of the latest change to what they were.
func (s *Server) takeBack(ctx context.Context, act store.Act, form *thingForm, current any) error {
	k, t := form.kind, form.kind.table()
	name := k.nameOf(current)
	changes, err := s.store.ThingChanges(ctx, 50, store.ThingName{Kind: k.kind, Name: name})
	if err != nil {
		return err
	}
	last, ok := reversible(changes, k, name)
	if !ok || strconv.FormatInt(last, 10) != form.change {
		return fault.New(fault.Conflict, "Something was changed since. Look at the changes again before taking one back.")
	}
	texts := map[string]string{}
	for _, ch := range changes {
		if ch.Act == last {
			texts[ch.Field] = ch.Was
		}
	}
	after := copyOf(t, current)
	if problems := intake.ParseFields(t, after, texts, s.store.Now()); len(problems) > 0 {
		return fault.At(problems...)
	}
	form.problems, form.after = nil, after
	act.Why = "taken back"
	return s.store.SaveThings(ctx, act, k.kind, store.ThingEdit{Before: current, After: after})
}
