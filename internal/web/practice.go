package web

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/graders"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

const (
	sessionPractice   = "practice"
	qualifiedFor      = 365 * 24 * time.Hour
	renewBefore       = 30 * 24 * time.Hour
	practicePhotos    = 12  // latest ones that a manager chooses from
	practiceItemsMost = 200 // photos of the set
)

// practising is a round under way, kept with the session: what was answered stays so.
type practising struct {
	Run     uuid.UUID        `json:"run"`
	Items   []string         `json:"items"` // codes, in their order
	Answers []graders.Answer `json:"answers"`
}

func (s *Server) practising(ctx context.Context) *practising {
	var p practising
	if err := json.Unmarshal([]byte(s.sessions.GetString(ctx, sessionPractice)), &p); err != nil || len(p.Items) == 0 {
		return nil
	}
	return &p
}

func (s *Server) keepPractising(ctx context.Context, p *practising) error {
	if p == nil {
		s.sessions.Remove(ctx, sessionPractice)
	} else {
		body, err := json.Marshal(p)
		if err != nil {
			return err
		}
		s.sessions.Put(ctx, sessionPractice, string(body))
	}
	_, _, err := s.sessions.Commit(ctx)
	return err
}

// practiceSet is the drawn set and the photos that managers chose.
func (s *Server) practiceSet(ctx context.Context) ([]graders.Item, error) {
	list, err := s.store.PracticeItems(ctx, practiceItemsMost)
	if err != nil {
		return nil, err
	}
	set := slices.Clone(graders.DrawnSet)
	for _, x := range list {
		why := x.Why
		if why == "" {
			why = "So it was graded by whoever chose the photo."
		}
		set = append(set, graders.Item{Code: x.ID.UUID.String(), Marks: strings.Fields(x.Shows), Grade: x.Grade, Why: why, Photo: x.ID.UUID.String()})
	}
	return set, nil
}

// roundOf finds the items of a round; those that have gone since are left out.
func roundOf(set []graders.Item, codes []string) (round []graders.Item) {
	for _, code := range codes {
		if i := slices.IndexFunc(set, func(x graders.Item) bool { return x.Code == code }); i >= 0 {
			round = append(round, set[i])
		}
	}
	return round
}

func (s *Server) practiceShow(x *graders.Item) views.PracticeShow {
	show := views.PracticeShow{Severity: x.Severity, Where: x.Where, Says: x.Says}
	if x.Photo != "" {
		show.Photo = s.url("/practice/items/" + x.Photo + "/photo/file")
	} else if len(x.Marks) > 0 {
		show.Mark = x.Marks[0]
	}
	return show
}

func markOptions(chosen string) []views.Option {
	out := []views.Option{{Value: "none", Word: "No mark", Chosen: chosen == "none"}}
	for _, m := range farm.Marks {
		out = append(out, views.Option{Value: m, Word: wordFor(markWords, m), Chosen: m == chosen})
	}
	return out
}

func (s *Server) practicePage(c echo.Context) (views.PracticePage, *time.Location, error) {
	ctx, now := c.Request().Context(), s.now()
	settings, err := s.store.Settings(ctx)
	if err != nil {
		return views.PracticePage{}, nil, err
	}
	zone := settings.Zone()
	p := views.PracticePage{Shell: withClock(s.shell(c, "Practice", ""), now, zone), Action: s.url("/practice"), Items: s.open(c, "/practice/items"),
		Lead: fmt.Sprintf("%d first layers to grade, each with what the set says right after. %d right, and no failed layer let through, is a qualification for a year.", graders.RoundItems, graders.RoundRight)}
	return p, zone, nil
}

// getPractice shows where somebody stands: the next item of a round, or what is held.
func (s *Server) getPractice() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		p, zone, err := s.practicePage(c)
		if err != nil {
			return err
		}
		ctx, who := c.Request().Context(), identity(c)
		if who.Person != 0 {
			if now := s.practising(ctx); now != nil {
				set, err := s.practiceSet(ctx)
				if err != nil {
					return err
				}
				if round := roundOf(set, now.Items); len(now.Answers) < len(round) {
					p.Ask = s.practiceAsk(round, len(now.Answers))
					return render(c, http.StatusOK, views.Practice(p))
				}
			}
		}
		return s.practiceHome(c, p, zone)
	}
}

func (s *Server) practiceAsk(round []graders.Item, at int) *views.PracticeAsk {
	x := &round[at]
	grades := slices.Clone(gradeOptions)
	return &views.PracticeAsk{Of: fmt.Sprintf("%d of %d", at+1, len(round)), Code: x.Code, Show: s.practiceShow(x), Grades: grades, Marks: markOptions("")}
}

// practiceHome says what is held, and of whom managers ask.
func (s *Server) practiceHome(c echo.Context, p views.PracticePage, zone *time.Location) error {
	ctx, who, now := c.Request().Context(), identity(c), s.now()
	if who.Person != 0 {
		list, err := s.store.Qualifications(ctx, who.Handle, 20)
		if err != nil {
			return err
		}
		held := heldOf(list, now)
		p.Start = "Begin a round"
		switch {
		case held == nil && len(list) == 0:
			p.Notes = append(p.Notes, "You have not practised yet. A round takes about five minutes.")
		case held == nil:
			p.Notes = append(p.Notes, "You hold no qualification now. A round can be taken as often as you like.")
		default:
			p.Start = "Begin a new round"
			p.Notes = append(p.Notes, "You hold a qualification until "+dateWord(held.Until, zone)+". A passed round renews it.")
		}
		for _, q := range list {
			p.Held = append(p.Held, qualificationFact(q, clock(q.At, zone), zone, now))
		}
	}
	if roleRank(who.Role) >= roleRank(roleManager) {
		all, err := s.store.Qualifications(ctx, "", 1000)
		if err != nil {
			return err
		}
		latest := map[string]*farm.Qualification{}
		var people []string
		for _, q := range all { // the latest first; one that is held wins
			if old := latest[q.Person]; old == nil {
				people = append(people, q.Person)
				latest[q.Person] = q
			} else if !holds(old, now) && holds(q, now) {
				latest[q.Person] = q
			}
		}
		slices.Sort(people)
		t := views.Table{Caption: "Who holds a qualification", Sub: "the round that counts, in order of names", Columns: []views.Column{{Word: "Person"}, {Word: "Round"}, {Word: "What it showed"}}}
		for _, h := range people {
			f := qualificationFact(latest[h], "", zone, now)
			t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: h}, {Text: clock(latest[h].At, zone)}, {Text: f.Value, Note: f.Note}}})
		}
		if len(t.Rows) > 0 {
			p.People = &t
		} else {
			p.Notes = append(p.Notes, "Nobody has practised yet. Rounds and what they showed stand here for managers, and for each person their own.")
		}
	}
	return render(c, http.StatusOK, views.Practice(p))
}

// dateWord writes a date on the farm's clock.
func dateWord(t time.Time, zone *time.Location) string { return t.In(zone).Format(time.DateOnly) }

func holds(q *farm.Qualification, now time.Time) bool {
	return q.Passed == "yes" && (q.Until.IsZero() || q.Until.After(now))
}

// heldOf finds the qualification in force among a person's rounds; nil there is none.
func heldOf(list []*farm.Qualification, now time.Time) *farm.Qualification {
	for _, q := range list {
		if holds(q, now) {
			return q
		}
	}
	return nil
}

// practiceHint says to a person, and to nobody else, that no qualification is held.
func (s *Server) practiceHint(c echo.Context) (views.PracticeHint, error) {
	who := identity(c)
	if at := s.open(c, "/practice"); who.Person == 0 || at == "" {
		return views.PracticeHint{}, nil
	}
	list, err := s.store.Qualifications(c.Request().Context(), who.Handle, 20)
	if err != nil || heldOf(list, s.now()) != nil {
		return views.PracticeHint{}, err
	}
	text := "You hold no qualification for grading now; a round of practice takes about five minutes."
	for _, q := range list {
		if q.Passed == "yes" {
			text = "Your qualification for grading ran out; a round of practice renews it."
			break
		}
	}
	return views.PracticeHint{Text: text, At: s.url("/practice")}, nil
}

func qualificationFact(q *farm.Qualification, word string, zone *time.Location, now time.Time) views.Fact {
	f := views.Fact{Word: word, Value: fmt.Sprintf("%.0f of %d grades right", q.GradesRight, q.Items)}
	if farm.Known(q.MarksRight) {
		f.Value += fmt.Sprintf(", %.0f marks", q.MarksRight)
	}
	switch {
	case q.Passed != "yes":
		f.Note = "not passed"
	case holds(q, now) && q.Until.IsZero():
		f.Note = "passed"
	case holds(q, now) && q.Until.Sub(now) < renewBefore:
		f.Note = "passed; runs out " + dateWord(q.Until, zone) + ", a round renews it"
	case holds(q, now):
		f.Note = "passed, until " + dateWord(q.Until, zone)
	default:
		f.Note = "passed, ran out " + dateWord(q.Until, zone)
	}
	return f
}

// postPractice begins a round, takes an answer, or goes on.
func (s *Server) postPractice() echo.HandlerFunc {
	return func(c echo.Context) error {
		form, err := readForm(c, "do", "item", "grade", "mark")
		if err != nil {
			return err
		}
		who, ctx := identity(c), c.Request().Context()
		if err := onlyPeople(who); err != nil {
			return err
		}
		set, err := s.practiceSet(ctx)
		if err != nil {
			return err
		}
		now := s.practising(ctx)
		switch form["do"] {
		case "start":
			run, err := uuid.NewV7AtTime(s.now())
			if err != nil {
				return err
			}
			now = &practising{Run: run}
			for _, x := range graders.Round(set, binary.BigEndian.Uint64(run[8:])) {
				now.Items = append(now.Items, x.Code)
			}
			if err := s.keepPractising(ctx, now); err != nil {
				return err
			}
			return c.Redirect(http.StatusSeeOther, s.url("/practice"))
		case "answer":
			return s.practiceAnswer(c, set, now, form)
		case "next":
			if now != nil && len(now.Answers) >= len(roundOf(set, now.Items)) {
				return s.practiceDone(c, set, now)
			}
			return c.Redirect(http.StatusSeeOther, s.url("/practice"))
		}
		return badRequest(fault.Problem{Column: "do", Found: form["do"], Expected: "start, answer or next"})
	}
}

// practiceAnswer keeps the first answer to an item and says what the set has.
func (s *Server) practiceAnswer(c echo.Context, set []graders.Item, now *practising, form map[string]string) error {
	ctx := c.Request().Context()
	var round []graders.Item
	if now != nil {
		round = roundOf(set, now.Items)
	}
	at := slices.IndexFunc(round, func(x graders.Item) bool { return x.Code == form["item"] })
	if at < 0 || at > len(now.Answers) {
		return c.Redirect(http.StatusSeeOther, s.url("/practice"))
	}
	p, _, err := s.practicePage(c)
	if err != nil {
		return err
	}
	x := &round[at]
	if at == len(now.Answers) {
		_, known := farm.MarkCode(form["mark"])
		if !slices.Contains(farm.Grades, form["grade"]) || !known && form["mark"] != "none" {
			p.Ask = s.practiceAsk(round, at)
			p.Ask.Problem = "Choose what is seen most, or no mark, and a grade."
			for i := range p.Ask.Grades {
				p.Ask.Grades[i].Chosen = p.Ask.Grades[i].Value == form["grade"]
			}
			p.Ask.Marks = markOptions(form["mark"])
			return render(c, http.StatusUnprocessableEntity, views.Practice(p))
		}
		mark := form["mark"]
		if mark == "none" {
			mark = ""
		}
		now.Answers = append(now.Answers, graders.Answer{Code: x.Code, Grade: form["grade"], Mark: mark})
		if err := s.keepPractising(ctx, now); err != nil {
			return err
		}
	}
	a := now.Answers[at]
	said := &views.PracticeSaid{Of: fmt.Sprintf("%d of %d", at+1, len(round)), Right: a.Grade == x.Grade && x.RightMark(a.Mark), Show: s.practiceShow(x), Next: "Next"}
	if len(now.Answers) == len(round) {
		said.Next = "See what came of it"
	}
	said.Words = []string{"Grade: " + gradeWord(x.Grade) + saidInstead(a.Grade == x.Grade, gradeWord(a.Grade)) + ". " + x.Why}
	said.Words = append(said.Words, "Seen: "+marksSeen(x.Marks)+saidInstead(x.RightMark(a.Mark), marksSeen(marksOf(a.Mark)))+".")
	p.Said = said
	return render(c, http.StatusOK, views.Practice(p))
}

// saidInstead says what was answered where it is something else.
func saidInstead(same bool, answered string) string {
	if same {
		return ""
	}
	return ", you said " + answered
}

func marksOf(mark string) []string {
	if mark == "" {
		return nil
	}
	return []string{mark}
}

func marksSeen(marks []string) string {
	if len(marks) == 0 {
		return "no mark"
	}
	var out []string
	for _, m := range marks {
		out = append(out, lowerFirst(wordFor(markWords, m)))
	}
	return strings.Join(out, " or ")
}

// practiceDone writes the round down, once, and shows it.
func (s *Server) practiceDone(c echo.Context, set []graders.Item, now *practising) error {
	ctx, who := c.Request().Context(), identity(c)
	round := roundOf(set, now.Items)
	p, zone, err := s.practicePage(c)
	if err != nil {
		return err
	}
	if len(round) < graders.RoundItems/2 {
		if err := s.keepPractising(ctx, nil); err != nil {
			return err
		}
		return s.practiceHome(c, p, zone)
	}
	score := graders.ScoreOf(round, now.Answers)
	at := s.now()
	q := handRecord{kind: farm.KindQualification, id: now.Run, fields: map[string]string{"person": who.Handle, "noted_by": who.Handle, "at": stamp(at), "items": fmt.Sprint(len(round)), "grades_right": fmt.Sprint(score.Grades), "marks_right": fmt.Sprint(score.Marks), "passed": "no"}}
	if score.Passed {
		q.fields["passed"], q.fields["until"] = "yes", stamp(at.Add(qualifiedFor))
	}
	var said []string
	for _, a := range now.Answers {
		said = append(said, a.Code+"="+a.Grade)
	}
	q.fields["answers"] = strings.Join(said, " ")
	if err := s.recordOwn(c, q); err != nil {
		return err
	}
	if err := s.keepPractising(ctx, nil); err != nil {
		return err
	}
	r := &views.PracticeResult{Title: "Not passed this time", Words: []string{fmt.Sprintf("%d of %d grades right, %d marks.", score.Grades, len(round), score.Marks)}}
	if score.Passed {
		r.Title = "Passed"
		r.Words = append(r.Words, "You hold a qualification until "+dateWord(at.Add(qualifiedFor), zone)+".")
	} else {
		r.Words = append(r.Words, fmt.Sprintf("It takes %d of %d, and no failed layer let through as clean or cosmetic; %s let through. A new round draws other layers.", graders.RoundRight, graders.RoundItems, counted(score.LetThrough, "was", "were")))
	}
	r.Table = views.Table{Caption: "Layer by layer", Columns: []views.Column{{Word: "Layer"}, {Word: "You"}, {Word: "The set"}}}
	for i := range round {
		x, a := &round[i], now.Answers[i]
		r.Table.Rows = append(r.Table.Rows, views.Row{Strong: a.Grade != x.Grade, Cells: []views.Cell{{Text: fmt.Sprint(i + 1)}, {Text: gradeWord(a.Grade), Note: marksSeen(marksOf(a.Mark))}, {Text: gradeWord(x.Grade), Note: marksSeen(x.Marks)}}})
	}
	p.Result = r
	return s.practiceHome(c, p, zone)
}
