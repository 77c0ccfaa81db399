package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// textPage is a page of Setup for settings that are no numbers: what it is called,
// which settings it holds, and how fields become settings and back.
type textPage struct {
	slug, title, lead string
	keys              []string // settings
	names             []string // fields
	fields            func(values farm.SettingValues) []views.Field
	// read gives settings by key; what is wrong stands at its field.
	read func(sent map[string]string) (map[string]string, []views.FormProblem)
}

var overBondingPage = textPage{
	slug: "over-bonding", title: "Over-bonding",
	lead: "Materials that can bond so well to a surface that parts or plates tear. For them the advice never moves the nozzle below the layer height, and asks for a release layer before a degreased plate is used. Common practice, no source: change it by what your plates show. Polymers go by their leading letters, with blanks between: PETG stands for PETG-CF as well.",
	keys: []string{"over_bonding"}, names: farm.Surfaces,
	fields: func(values farm.SettingValues) (out []views.Field) {
		pairs, _ := farm.ParseOverBonding(values.Text("over_bonding"))
		for _, surface := range farm.Surfaces {
			var on []string
			for _, p := range pairs {
				if p.Surface == surface {
					on = append(on, p.Polymer)
				}
			}
			out = append(out, views.Field{Name: surface, Label: "On " + surfaceWords[surface], Value: strings.Join(on, " "), Optional: true, Longest: 200})
		}
		return out
	},
	read: func(sent map[string]string) (map[string]string, []views.FormProblem) {
		var pairs []farm.OverBondPair
		var problems []views.FormProblem
		for _, surface := range farm.Surfaces {
			for _, word := range strings.FieldsFunc(strings.ToUpper(sent[surface]), func(r rune) bool { return r == ' ' || r == ',' || r == ';' || r == '\t' }) {
				p := farm.OverBondPair{Polymer: word, Surface: surface}
				if slices.Contains(pairs, p) {
					continue
				}
				if _, ok := farm.ParseOverBonding(farm.OverBondingText([]farm.OverBondPair{p})); !ok {
					problems = append(problems, views.FormProblem{Field: surface, Words: sentenceCase(surfaceWords[surface]) + ": found “" + fault.Shorten(word) + "”, expected a polymer’s leading letters, such as PETG."})
					continue
				}
				pairs = append(pairs, p)
			}
		}
		slices.SortStableFunc(pairs, func(a, b farm.OverBondPair) int { return strings.Compare(a.Polymer, b.Polymer) })
		if len(pairs) > farm.MostOverBonding {
			problems = append(problems, views.FormProblem{Field: farm.Surfaces[0], Words: "More than " + count(farm.MostOverBonding) + " pairs. Keep to what was seen."})
		}
		return map[string]string{"over_bonding": farm.OverBondingText(pairs)}, problems
	},
}

var cautionWords = map[string]string{"safety_solvent": "Solvents", "safety_hot": "Heat", "safety_motion": "Moving parts"}

var cautionsPage = textPage{
	slug: "cautions", title: "Cautions",
	lead: "What is said first with an advice where it can hurt. Your workplace’s risk assessment and local law rule; “Local rules and the maker’s instructions come first.” is said after each.",
	keys: []string{"safety_solvent", "safety_hot", "safety_motion"}, names: []string{"safety_solvent", "safety_hot", "safety_motion"},
	fields: func(values farm.SettingValues) (out []views.Field) {
		for _, key := range []string{"safety_solvent", "safety_hot", "safety_motion"} {
			rule, _ := farm.SettingRuleOf(key)
			out = append(out, views.Field{Name: key, Label: cautionWords[key], Kind: "area", Value: values.Text(key), Longest: farm.MostCaution, Hint: "Standard, also when left empty: " + rule.Default})
		}
		return out
	},
	read: func(sent map[string]string) (map[string]string, []views.FormProblem) {
		out := map[string]string{}
		var problems []views.FormProblem
		for key, words := range cautionWords {
			rule, _ := farm.SettingRuleOf(key)
			value := strings.Join(strings.Fields(sent[key]), " ")
			if value == "" {
				value = rule.Default
			}
			if !rule.Valid(value) {
				problems = append(problems, views.FormProblem{Field: key, Words: words + ": found " + count(len([]rune(value))) + " characters, expected " + rule.Expected + "."})
			}
			out[key] = value
		}
		slices.SortFunc(problems, func(a, b views.FormProblem) int { return strings.Compare(a.Field, b.Field) })
		return out, problems
	},
}

func (p *textPage) get() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c, "saved"); err != nil {
				return err
			}
			return p.render(s, c, http.StatusOK, nil, "", nil)
		}
	}
}

func (p *textPage) post() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			sent, err := readForm(c, append([]string{"act", "seen", "change"}, p.names...)...)
			if err != nil {
				return err
			}
			var seen map[string]string
			if json.Unmarshal([]byte(sent["seen"]), &seen) != nil {
				return badRequest(fault.Problem{Column: "seen", Found: sent["seen"], Expected: "what the page itself sends"})
			}
			act, saved := pageAct(c), "yes"
			want := map[string]string{}
			switch sent["act"] {
			case "standard":
				for _, key := range p.keys {
					rule, _ := farm.SettingRuleOf(key)
					want[key] = rule.Default
				}
				act.Why = "back to the standard"
			case "back":
				changes, err := s.store.ThingChanges(c.Request().Context(), 50, p.things()...)
				if err != nil {
					return err
				}
				if len(changes) == 0 || strconv.FormatInt(changes[0].Act, 10) != sent["change"] {
					return fault.New(fault.Conflict, "Something was changed since. Look at the changes again before taking one back.")
				}
				for _, ch := range changes {
					if ch.Act == changes[0].Act && ch.Field == "value" {
						want[ch.Thing] = ch.Was
					}
				}
				act.Why, saved = "taken back", "back"
			default:
				var problems []views.FormProblem
				if want, problems = p.read(sent); len(problems) > 0 {
					return p.render(s, c, http.StatusUnprocessableEntity, sent, "", problems)
				}
			}
			var edits []store.ThingEdit
			for _, key := range p.keys {
				value, ok := want[key]
				if rule, _ := farm.SettingRuleOf(key); value == "" {
					value = rule.Default
				}
				if ok && seen[key] != value {
					edits = append(edits, store.ThingEdit{Before: &farm.Setting{Key: key, Value: seen[key]}, After: &farm.Setting{Key: key, Value: value}})
				}
			}
			if len(edits) > 0 {
				err := s.store.SaveThings(c.Request().Context(), act, farm.KindSetting, edits...)
				if fault.Is(err, fault.Conflict) {
					return p.render(s, c, http.StatusConflict, sent, "Somebody else saved meanwhile. Nothing was overwritten",
						[]views.FormProblem{{Words: "What you typed stands in the fields; what is in force stands under Changes. Save again to keep yours."}})
				}
				if err != nil {
					return err
				}
			}
			return c.Redirect(http.StatusSeeOther, s.url("/setup/"+p.slug+"?saved="+saved))
		}
	}
}

func (p *textPage) things() []store.ThingName {
	out := make([]store.ThingName, len(p.keys))
	for i, key := range p.keys {
		out[i] = store.ThingName{Kind: farm.KindSetting, Name: key}
	}
	return out
}

func (p *textPage) render(s *Server, c echo.Context, status int, sent map[string]string, heading string, problems []views.FormProblem) error {
	ctx, now := c.Request().Context(), s.now()
	values, err := s.store.Settings(ctx)
	if err != nil {
		return err
	}
	here, zone := s.url("/setup/"+p.slug), values.Zone()
	out := views.SetupFormPage{Shell: withClock(s.shell(c, p.title, "/setup"), now, zone), Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}},
		Lead: p.lead, Saved: savedWords[c.QueryParam("saved")], Action: here, Submit: "Save", Fields: p.fields(values)}
	seen, usual := map[string]string{}, true
	for _, key := range p.keys {
		rule, _ := farm.SettingRuleOf(key)
		seen[key] = values.Text(key)
		usual = usual && seen[key] == rule.Default
	}
	if len(problems) > 0 {
		out.Trouble, out.Problems = either(heading, "Not saved yet"), problems
		for i := range out.Fields {
			if typed, ok := sent[out.Fields[i].Name]; ok {
				out.Fields[i].Value = typed
			}
		}
		beside(out.Fields, problems)
	}
	packed, err := json.Marshal(seen)
	if err != nil {
		return err
	}
	hidden := []views.Fact{{Word: "seen", Value: string(packed)}}
	out.Hidden = hidden
	if !usual {
		out.Acts = []views.SetupAct{{Word: "Back to the standard", Action: here, Hidden: append(slices.Clone(hidden), views.Fact{Word: "act", Value: "standard"})}}
	}
	changes, err := s.store.ThingChanges(ctx, 50, p.things()...)
	if err != nil {
		return err
	}
	out.Changes = changesTable(changes, zone)
	for i := range changes {
		for k, text := range []string{changes[i].Was, changes[i].Became} {
			if pairs, ok := farm.ParseOverBonding(text); ok {
				out.Changes.Rows[i].Cells[3+k].Text = overBondingWords(pairs)
			}
		}
	}
	if len(changes) > 0 {
		out.Back = views.SetupAct{Word: "Take the latest change back", Action: here,
			Hidden: append(slices.Clone(hidden), views.Fact{Word: "act", Value: "back"}, views.Fact{Word: "change", Value: strconv.FormatInt(changes[0].Act, 10)})}
	}
	return render(c, status, views.SetupForm(out))
}

// overBondingWords writes a table on one line: "PETG on garolite and glass; PC on glass".
func overBondingWords(pairs []farm.OverBondPair) string {
	var out []string
	var last string
	for _, p := range pairs {
		if p.Polymer == last {
			out[len(out)-1] += " and " + surfaceWords[p.Surface]
			continue
		}
		last = p.Polymer
		out = append(out, p.Polymer+" on "+surfaceWords[p.Surface])
	}
	if len(out) == 0 {
		return "none"
	}
	return strings.Join(out, "; ")
}
