package web

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/graders"
	"basecourse/internal/stats"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Judged tells how those who grade are seen by the fit that findings rest on, and how the
// risks said came out.
type Judged interface {
	Graders(ctx context.Context, now time.Time) ([]assess.Grader, error)
	Said(ctx context.Context, now time.Time) (*upkeep.Reckoned, error)
}

const (
	agreementDays = 365 // of second grades
	shiftsBack    = 84 * 24 * time.Hour
)

// How much of single people is shown: the setting person_level.
const (
	peopleShown  = "shown"
	peopleGroups = "groups"
	peopleOff    = "off"
)

// agreed is what the page and the table go by.
type agreed struct {
	now     time.Time
	zone    *time.Location
	level   string
	pairs   []graders.Pair // all, also of one person twice
	graders map[string]assess.Grader
	groups  []graders.Group // where people are shown in groups
}

func (s *Server) agreed(ctx context.Context) (*agreed, error) {
	now := s.now()
	settings, err := s.store.Settings(ctx)
	if err != nil {
		return nil, err
	}
	a := &agreed{now: now, zone: settings.Zone(), level: settings.Text("person_level"), graders: map[string]assess.Grader{}}
	list, err := s.store.RegradePairs(ctx, now.AddDate(0, 0, -agreementDays), now)
	if err != nil {
		return nil, err
	}
	for i := range list {
		r := &list[i]
		first, _, _ := farm.ParseMarks(r.FirstMarks)
		a.pairs = append(a.pairs, graders.Pair{Layer: r.Layer.String(), First: r.First, Second: r.Grader, Was: slices.Index(farm.Grades, r.FirstGrade), Is: slices.Index(farm.Grades, r.Grade),
			Failed: [2]bool{farm.Failed(r.FirstGrade, r.Underside), farm.Failed(r.Grade, r.Underside)}, Marks: [2][]string{markCodes(first), markCodes(r.Marks)}, At: r.GradedAt, Chance: r.Chance})
	}
	if a.level == peopleOff || s.cfg.Judged == nil {
		return a, nil
	}
	fit, err := s.cfg.Judged.Graders(ctx, now)
	if err != nil {
		return nil, err
	}
	var ids []int32
	for _, g := range fit {
		ids = append(ids, g.Person)
	}
	handles, err := s.store.HandlesOf(ctx, ids)
	if err != nil {
		return nil, err
	}
	for _, g := range fit {
		if h := handles[g.Person]; h != "" {
			a.graders[h] = g
		}
	}
	if a.level != peopleGroups {
		return a, nil
	}
	shifts, err := s.store.PersonShifts(ctx, now.Add(-shiftsBack), now)
	if err != nil {
		return nil, err
	}
	turns := map[string]map[graders.Turn]int{}
	for _, x := range shifts {
		if turns[x.Person] == nil {
			turns[x.Person] = map[graders.Turn]int{}
		}
		turns[x.Person][graders.TurnOf(x.StartsAt, a.zone)]++
	}
	var people []string
	for h := range a.graders {
		people = append(people, h)
	}
	slices.Sort(people)
	a.groups = graders.Groups(people, turns)
	return a, nil
}

func markCodes(marks []farm.Mark) []string {
	var out []string
	for _, m := range marks {
		if !slices.Contains(out, m.Mark) {
			out = append(out, m.Mark)
		}
	}
	slices.Sort(out)
	return out
}

// figureOf says an agreement as a number with its interval.
func figureOf(a stats.Agreed) string {
	switch {
	case math.IsNaN(a.At):
		return "–"
	case a.N < stats.Few || a.SE < 1e-9:
		return fmt.Sprintf("%.2f", a.At)
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", a.At, a.Low, a.High)
}

// shareOf says an agreement as a share with its interval.
func shareOf(a stats.Agreed) string {
	if math.IsNaN(a.At) {
		return "–"
	}
	return fmt.Sprintf("%s (likely %s to %s)", percent(a.At), bare(a.Low), percent(a.High))
}

// timesOf says log-odds as a factor of the odds.
func timesOf(at, low, high float64) string {
	return fmt.Sprintf("%.2f times (%.2f to %.2f)", math.Exp(at), math.Exp(low), math.Exp(high))
}

var turnWords = map[graders.Turn]string{graders.Early: "early shift", graders.Late: "late shift", graders.Night: "night shift"}

func groupWords(g graders.Group) string {
	if len(g.Turns) == 0 {
		return "all others"
	}
	var out []string
	for _, t := range g.Turns {
		out = append(out, turnWords[t])
	}
	return strings.Join(out, ", ")
}

// getAgreement shows how alike first layers are graded: to managers of the farm, to
// everybody their own part.
func (s *Server) getAgreement() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		who := identity(c)
		a, err := s.agreed(c.Request().Context())
		if err != nil {
			return err
		}
		manager := roleRank(who.Role) >= roleRank(roleManager)
		p := views.FiguresPage{Shell: withClock(s.shell(c, "How alike we grade", "/findings"), a.now, a.zone), Crumb: views.Fact{Value: "Findings", Href: s.url("/findings")},
			Lead: "First layers graded a second time, drawn by lot, without the first grade being shown. Figures weigh each layer by one over its chance, so that they stand for all layers that might have been drawn; those not drawn by lot are left out. Nobody is ranked."}
		p.Acts = s.links([]act{{"Grade again, blind", "/regrade", "/regrade", true}, {"Practice", "/practice", "/practice", false}})
		p.DataThrough = clock(a.now, a.zone)
		if len(a.pairs) == 0 {
			p.Empty = "No layer was graded a second time in the last year. Each that is takes ten seconds; with about 100, agreement can be told."
		}
		if who.Person != 0 && a.level != peopleOff {
			p.Parts = append(p.Parts, a.ownPart(who.Handle))
		}
		if manager {
			p.CSV = s.url("/agreement.csv")
			if len(a.pairs) > 0 {
				p.Parts = append(p.Parts, a.farmPart(), a.marksPart(), a.monthsPart())
			}
			p.Parts = append(p.Parts, a.peoplePart())
		}
		return render(c, http.StatusOK, views.Figures(p))
	}
}

// ownPart is what somebody sees of themselves.
func (a *agreed) ownPart(handle string) views.FiguresPart {
	part := views.FiguresPart{ID: "own", Title: "You"}
	fact := func(word, value, note string) {
		part.Facts = append(part.Facts, views.Fact{Word: word, Value: value, Note: note})
	}
	mine := graders.Of(a.pairs, handle)
	others, again := graders.AgreementOf(graders.Others(mine)), graders.AgreementOf(graders.Again(mine))
	fact("With others", shareOf(others.Alike), "same grade, on "+counted(others.N, "layer", "layers"))
	fact("On failed layers", shareOf(others.OnFailed), "twice the layers both of you called failed, of all times one of you did")
	if again.N > 0 {
		fact("With yourself", shareOf(again.Alike), "your own layers that you graded again, "+counted(again.N, "layer", "layers"))
	}
	for _, x := range graders.StrictnessOf(a.pairs) {
		if x.Who == handle {
			fact("Calling it failed, beside others on the same layers", timesOf(x.At, x.Low, x.High), fmt.Sprintf("1 is like the others; %d stricter and %d milder of %s", x.Stricter, x.Milder, counted(x.Pairs, "pair", "pairs")))
		}
	}
	if g, ok := a.graders[handle]; ok {
		fact("As findings see it", timesOf(g.At, g.Low, g.High), fmt.Sprintf("odds of failed beside the others, printers, plates, materials and hours taken into account; %d of %s", g.Failed, counted(g.Graded, "graded layer", "graded layers")))
	}
	part.Notes = []string{"Findings take strictness into account, so a strict grader makes no printer look bad. You and managers see this; how much of it managers see is a setting."}
	if a.level == peopleGroups {
		part.Notes = []string{"Findings take strictness into account, so a strict grader makes no printer look bad. You alone see this."}
	}
	return part
}

// farmPart is the farm's agreement.
func (a *agreed) farmPart() views.FiguresPart {
	part := views.FiguresPart{ID: "farm", Title: "Two people on one layer"}
	x, again := graders.AgreementOf(graders.Others(a.pairs)), graders.AgreementOf(graders.Again(a.pairs))
	fact := func(word, value, note string) {
		part.Facts = append(part.Facts, views.Fact{Word: word, Value: value, Note: note})
	}
	fact("Same grade", shareOf(x.Alike), counted(x.N, "layer", "layers")+" graded by two people")
	fact("Beyond chance", figureOf(x.Kappa), "Cohen’s kappa: 0 is chance, 1 is always the same")
	fact("Near misses counted in part", figureOf(x.Linear), "kappa with linear weights; with squared ones "+figureOf(x.Block))
	fact("On failed layers", shareOf(x.OnFailed), "twice the layers both called failed, of all times one did; on all others "+shareOf(x.OnHeld))
	fact("Among all who graded a layer", figureOf(x.Fleiss.Agreed), "Fleiss’ kappa, unweighted, "+counted(x.Fleiss.N, "layer", "layers"))
	if again.N > 0 {
		fact("One person twice", shareOf(again.Alike), counted(again.N, "layer", "layers")+"; kappa "+figureOf(again.Kappa))
	}
	if x.N < stats.Few {
		part.Notes = append(part.Notes, fmt.Sprintf("%s so far: intervals of kappas are shown from %d on, as with fewer they hold less than they say.", sentenceCase(counted(x.N, "layer", "layers")), stats.Few))
	}
	// With few people the table tells who is the stricter one.
	if a.level != peopleShown && len(graders.People(a.pairs)) < graders.Least {
		return part
	}
	t := views.Table{Caption: "First grade by second grade", Sub: "layers as drawn, unweighted", Columns: []views.Column{{Word: "First"}}}
	for _, g := range farm.Grades {
		t.Columns = append(t.Columns, views.Column{Word: gradeWord(g), Number: true})
	}
	for i, g := range farm.Grades {
		row := views.Row{Cells: []views.Cell{{Text: sentenceCase(gradeWord(g))}}}
		for j := range farm.Grades {
			row.Cells = append(row.Cells, views.Cell{Text: count(x.Table[i][j])})
		}
		t.Rows = append(t.Rows, row)
	}
	part.Tables = append(part.Tables, t)
	return part
}

func (a *agreed) marksPart() views.FiguresPart {
	t := views.Table{Caption: "Agreement by mark", Sub: "whether a mark was seen anywhere on the layer", Columns: []views.Column{{Word: "Mark"}, {Word: "Both saw it", Number: true}, {Word: "One did", Number: true}, {Word: "Agreement on it", Number: true}, {Word: "Kappa", Number: true, Wide: true}}}
	for _, m := range graders.ByMark(graders.Others(a.pairs), farm.Marks) {
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: wordFor(markWords, m.Mark)}, {Text: count(m.Both)}, {Text: count(m.One)}, {Text: shareOf(m.On)}, {Text: figureOf(m.Kappa)}}})
	}
	part := views.FiguresPart{ID: "marks", Title: "By mark", Tables: []views.Table{t}}
	if len(t.Rows) == 0 {
		part.Tables, part.Notes = nil, []string{"No mark was noted with a second grade yet."}
	}
	return part
}

func (a *agreed) monthsPart() views.FiguresPart {
	t := views.Table{Caption: "By month", Sub: "of the second grade", Columns: []views.Column{{Word: "Month"}, {Word: "Layers", Number: true}, {Word: "Same grade", Number: true}, {Word: "Kappa", Number: true}, {Word: "On failed", Number: true, Wide: true}}}
	for _, m := range graders.ByMonth(graders.Others(a.pairs), a.zone) {
		x := graders.AgreementOf(m.Pairs)
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: m.Begins.Format("2006-01")}, {Text: count(x.N)}, {Text: shareOf(x.Alike)}, {Text: figureOf(x.Kappa)}, {Text: shareOf(x.OnFailed)}}})
	}
	return views.FiguresPart{ID: "months", Title: "Drift", Tables: []views.Table{t}}
}

// peoplePart is who is strict, as far as the setting shows it: by handle, never by
// figure.
func (a *agreed) peoplePart() views.FiguresPart {
	part := views.FiguresPart{ID: "people", Title: "Who grades"}
	const sub = "odds of calling a layer failed, 1 is like the others; in order of names, not of figures"
	switch a.level {
	case peopleOff:
		part.Notes = []string{"Figures of single people and of groups are switched off in Setup. Findings are adjusted all the same."}
	case peopleGroups:
		part.Notes = []string{fmt.Sprintf("By the shift people mostly work, groups of at least %d; who would be left over in a smaller one stands with others.", graders.Least)}
		if len(a.groups) == 0 {
			part.Notes = []string{fmt.Sprintf("Fewer than %d people graded: no group is shown.", graders.Least)}
			return part
		}
		t := views.Table{Caption: "Strictness by group", Sub: sub, Columns: []views.Column{{Word: "Group"}, {Word: "People", Number: true}, {Word: "Graded", Number: true}, {Word: "As findings see it", Number: true}}}
		for _, g := range a.groups {
			at, v, n := 0.0, 0.0, 0
			for _, h := range g.People {
				n += a.graders[h].Graded
			}
			for _, h := range g.People {
				x := a.graders[h]
				w, sd := float64(x.Graded)/float64(max(n, 1)), (x.High-x.Low)/(2*1.96)
				at, v = at+w*x.At, v+w*w*sd*sd
			}
			half := 1.96 * math.Sqrt(v)
			t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: sentenceCase(groupWords(g))}, {Text: count(len(g.People))}, {Text: count(n)}, {Text: timesOf(at, at-half, at+half)}}})
		}
		part.Tables = []views.Table{t}
	default:
		t := views.Table{Caption: "Strictness by person", Sub: sub, Columns: []views.Column{{Word: "Person"}, {Word: "Graded", Number: true, Wide: true}, {Word: "As findings see it", Number: true}, {Word: "Pairs", Number: true, Wide: true}, {Word: "On the same layers", Number: true}, {Word: "Same grade as others", Number: true}}}
		for _, x := range a.people() {
			row := views.Row{Cells: []views.Cell{{Text: x.who}, {Text: "–"}, {Text: "–"}, {Text: "–"}, {Text: "–"}, {Text: "–"}}}
			if x.fit != nil {
				row.Cells[1], row.Cells[2] = views.Cell{Text: count(x.fit.Graded)}, views.Cell{Text: timesOf(x.fit.At, x.fit.Low, x.fit.High)}
			}
			if x.pairs != nil {
				row.Cells[3], row.Cells[4], row.Cells[5] = views.Cell{Text: count(x.pairs.Pairs)}, views.Cell{Text: timesOf(x.pairs.At, x.pairs.Low, x.pairs.High)}, views.Cell{Text: shareOf(x.alike.Alike)}
			}
			t.Rows = append(t.Rows, row)
		}
		part.Tables = []views.Table{t}
		part.Notes = []string{"As findings see it: from all layers of twelve weeks, printers, plates, materials, hours and days taken into account, drawn towards the others. On the same layers: from second grades alone. Findings are adjusted by the first; the second is a check of it and enters no finding, as it is of a layer seen again, on a photo or a sheet."}
		if len(t.Rows) == 0 {
			part.Tables, part.Notes = nil, []string{"Nobody graded in the last twelve weeks."}
		}
	}
	return part
}

type agreedPerson struct {
	who   string
	fit   *assess.Grader
	pairs *graders.Strictness
	alike graders.Agreement
}

// people lists single people by handle; only where they are shown.
func (a *agreed) people() []agreedPerson {
	if a.level != peopleShown {
		return nil
	}
	by := map[string]*agreedPerson{}
	at := func(who string) *agreedPerson {
		if by[who] == nil {
			by[who] = &agreedPerson{who: who}
		}
		return by[who]
	}
	for h, g := range a.graders {
		at(h).fit = &g
	}
	strict := graders.StrictnessOf(a.pairs)
	for i := range strict {
		x := at(strict[i].Who)
		x.pairs, x.alike = &strict[i], graders.AgreementOf(graders.Others(graders.Of(a.pairs, x.who)))
	}
	var out []agreedPerson
	for _, x := range by {
		out = append(out, *x)
	}
	slices.SortFunc(out, func(x, y agreedPerson) int { return strings.Compare(x.who, y.who) })
	return out
}

// getAgreementCSV sends the figures as a table: of the farm, by mark and month, and of
// people only where they are shown.
func (s *Server) getAgreementCSV() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		a, err := s.agreed(c.Request().Context())
		if err != nil {
			return err
		}
		rows := [][]string{{"of", "name", "figure", "layers", "value", "low", "high"}}
		number := func(x float64) string {
			if math.IsNaN(x) {
				return ""
			}
			return strconv.FormatFloat(x, 'g', 6, 64)
		}
		add := func(of, name, figure string, x stats.Agreed) {
			rows = append(rows, []string{of, name, figure, strconv.Itoa(x.N), number(x.At), number(x.Low), number(x.High)})
		}
		all := func(of, name string, pairs []graders.Pair) {
			x := graders.AgreementOf(pairs)
			add(of, name, "alike", x.Alike)
			add(of, name, "kappa", x.Kappa)
			add(of, name, "kappa_linear", x.Linear)
			add(of, name, "kappa_squared", x.Block)
			add(of, name, "kappa_fleiss", x.Fleiss.Agreed)
			add(of, name, "alike_on_failed", x.OnFailed)
			add(of, name, "alike_on_others", x.OnHeld)
		}
		all("farm", "", graders.Others(a.pairs))
		all("one person twice", "", graders.Again(a.pairs))
		for _, m := range graders.ByMark(graders.Others(a.pairs), farm.Marks) {
			add("mark", m.Mark, "alike_on_it", m.On)
			add("mark", m.Mark, "kappa", m.Kappa)
		}
		for _, m := range graders.ByMonth(graders.Others(a.pairs), a.zone) {
			all("month", m.Begins.Format("2006-01"), m.Pairs)
		}
		for _, x := range a.people() {
			if x.fit != nil {
				rows = append(rows, []string{"person", x.who, "log_odds_by_findings", strconv.Itoa(x.fit.Graded), number(x.fit.At), number(x.fit.Low), number(x.fit.High)})
			}
			if x.pairs != nil {
				rows = append(rows, []string{"person", x.who, "log_odds_on_the_same_layers", strconv.Itoa(x.pairs.Pairs), number(x.pairs.At), number(x.pairs.Low), number(x.pairs.High)})
				all("person", x.who, graders.Others(graders.Of(a.pairs, x.who)))
			}
		}
		return writeCSV(c, "agreement.csv", rows)
	}
}
