package web

import (
	"encoding/json"
	"net/http"
	"sort"
	"strings"
	"unicode"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// settingsForm is what was typed into one group of settings.
type settingsForm struct {
	group    string
	typed    map[string]string
	problems []views.FormProblem
	heading  string
}

// mayChange tells whether somebody may change a group: money is for admins.
func mayChange(who Identity, money bool) bool {
	return !money || roleRank(who.Role) >= roleRank(roleAdmin)
}

func (s *Server) getSettings() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		return s.renderSettings(c, http.StatusOK, settingsForm{})
	}
}

func (s *Server) postSettings() echo.HandlerFunc {
	return func(c echo.Context) error {
		names := []string{"group", "seen"}
		for _, g := range settingGroups {
			names = append(names, whyField(g.ID))
		}
		for _, r := range farm.SettingRules {
			names = append(names, r.Key)
		}
		sent, err := readForm(c, names...)
		if err != nil {
			return err
		}
		var seen map[string]string
		if json.Unmarshal([]byte(sent["seen"]), &seen) != nil {
			return badRequest(fault.Problem{Column: "seen", Found: sent["seen"], Expected: "what the page itself sends"})
		}
		form := settingsForm{group: sent["group"], typed: map[string]string{}}
		var edits []store.ThingEdit
		for _, r := range farm.SettingRules {
			typed, given := sent[r.Key]
			if !given {
				continue
			}
			w := settingWords[r.Key]
			if w.Group != form.group {
				return badRequest(fault.Problem{Column: r.Key, Found: typed, Expected: "the settings of one group"})
			}
			if !mayChange(identity(c), moneyGroup(w.Group)) {
				return fault.New(fault.Forbidden, "What costs money is set by an admin.")
			}
			form.typed[r.Key] = typed
			value := strings.TrimSpace(typed)
			if value == "" {
				value = r.Default
			}
			if !r.InWords() {
				value = tidyNumber(value)
			}
			if r.Key == "currency" {
				value = strings.ToUpper(value)
			}
			if !r.Valid(value) {
				form.problems = append(form.problems, views.FormProblem{Field: r.Key, Words: w.Label + ": found “" + fault.Shorten(value) + "”, expected " + r.Expected + "."})
				continue
			}
			if was, ok := seen[r.Key]; !ok || was != value {
				edits = append(edits, store.ThingEdit{Before: &farm.Setting{Key: r.Key, Value: was}, After: &farm.Setting{Key: r.Key, Value: value}})
			}
		}
		why := strings.TrimSpace(sent[whyField(form.group)])
		form.typed[whyField(form.group)] = why
		if len([]rune(why)) > whyLongest || strings.ContainsFunc(why, unicode.IsControl) {
			form.problems = append(form.problems, views.FormProblem{Field: whyField(form.group), Words: "Why: expected one line of at most " + count(whyLongest) + " characters."})
		}
		if len(form.problems) > 0 {
			return s.renderSettings(c, http.StatusUnprocessableEntity, form)
		}
		if len(edits) > 0 {
			act := pageAct(c)
			act.Why = why
			err := s.store.SaveThings(c.Request().Context(), act, farm.KindSetting, edits...)
			if fault.Is(err, fault.Conflict) {
				form.heading = "Somebody else saved meanwhile. Nothing was overwritten"
				values, err := s.store.Settings(c.Request().Context())
				if err != nil {
					return err
				}
				for _, e := range edits {
					key := e.After.(*farm.Setting).Key
					if values.Text(key) != e.Before.(*farm.Setting).Value {
						form.problems = append(form.problems, views.FormProblem{Field: key, Words: settingWords[key].Label + " is now " + values.Text(key) + ". What you typed stands in the field; save again to keep it."})
					}
				}
				return s.renderSettings(c, http.StatusConflict, form)
			}
			if err != nil {
				return err
			}
		}
		return c.Redirect(http.StatusSeeOther, s.url("/setup/settings?saved=yes"))
	}
}

// whyLongest is how many characters the reason of a change has at most.
const whyLongest = 200

// whyField is the field in which a group's form asks for the reason.
func whyField(group string) string { return "why_" + group }

func moneyGroup(id string) bool {
	for _, g := range settingGroups {
		if g.ID == id {
			return g.Money
		}
	}
	return true
}

func (s *Server) renderSettings(c echo.Context, status int, form settingsForm) error {
	ctx, now := c.Request().Context(), s.now()
	values, err := s.store.Settings(ctx)
	if err != nil {
		return err
	}
	zone := values.Zone()
	p := views.SettingsPage{Shell: withClock(s.shell(c, "Settings", "/setup"), now, zone), Crumb: s.url("/setup"),
		Lead: "Numbers the program works with. A field left empty goes back to its standard.", Saved: savedWords[c.QueryParam("saved")]}
	if len(form.problems) > 0 {
		p.Trouble, p.Issues = either(form.heading, "Not saved yet"), form.problems
	}
	wrong := map[string]string{}
	for _, q := range form.problems {
		wrong[q.Field] = q.Words
	}
	var names []store.ThingName
	for _, g := range settingGroups {
		group := views.SettingsGroup{ID: "group-" + g.ID, Title: g.Title, Submit: "Save"}
		seen := map[string]string{}
		for _, r := range farm.SettingRules {
			w := settingWords[r.Key]
			if w.Group != g.ID {
				continue
			}
			names = append(names, store.ThingName{Kind: farm.KindSetting, Name: r.Key})
			value := values.Text(r.Key)
			unit := strings.ReplaceAll(w.Unit, "CURRENCY", values.Text("currency"))
			hint := w.Changes + " Standard " + r.Default + "; " + r.Expected + "."
			seen[r.Key] = value
			f := views.Field{Name: r.Key, Label: w.Label, Hint: hint, Unit: unit, Kind: "number", Value: value, Wrong: wrong[r.Key]}
			if r.InWords() {
				f.Kind, f.Longest = "text", 64
			}
			if form.group == g.ID {
				if typed, ok := form.typed[r.Key]; ok {
					f.Value = typed
				}
			}
			group.Fields = append(group.Fields, f)
			group.Facts = append(group.Facts, views.Fact{Word: w.Label, Value: strings.TrimSpace(value + " " + unit), Note: hint})
		}
		group.Fields = append(group.Fields, views.Field{Name: whyField(g.ID), Label: "Why", Hint: "Stands beside the change, for example “new rates from March”.", Kind: "text", Optional: true, Longest: whyLongest,
			Value: form.typed[whyField(g.ID)], Wrong: wrong[whyField(g.ID)]})
		packed, err := json.Marshal(seen)
		if err != nil {
			return err
		}
		group.Hidden = []views.Fact{{Word: "group", Value: g.ID}, {Word: "seen", Value: string(packed)}}
		if mayChange(identity(c), g.Money) {
			group.Action = s.url("/setup/settings")
		} else {
			group.Note = "What costs money is set by an admin."
		}
		p.Groups = append(p.Groups, group)
	}
	changes, err := s.store.ThingChanges(ctx, 50, names...)
	if err != nil {
		return err
	}
	sort.SliceStable(changes, func(i, j int) bool { return changes[i].At.After(changes[j].At) })
	p.Changes = changesTable(changes, zone)
	p.Changes.Sub = "newest first"
	return render(c, status, views.Settings(p))
}

func either(a, b string) string {
	if a != "" {
		return a
	}
	return b
}
