package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Policies tells how the farm was looked after, to be asked what policies would have
// made of it.
type Policies interface {
	// Care is that of the window before now, kept for pages.
	Care(ctx context.Context, now time.Time) (*assess.Care, error)
	// CareAt is that before a time; it reads the whole farm.
	CareAt(ctx context.Context, at time.Time) (*assess.Care, error)
	// Standing tells which policies are in force at a place.
	Standing(ctx context.Context, at time.Time, place upkeep.Place) (assess.Standing, error)
}

// policyLine is a policy: its versions, oldest first.
type policyLine struct {
	name     string
	versions []*farm.Policy
}

// linesOf groups versions, which come by name and then in their order.
func linesOf(list []*farm.Policy) (lines []policyLine) {
	for _, p := range list {
		if n := len(lines); n == 0 || lines[n-1].name != p.Name {
			lines = append(lines, policyLine{name: p.Name})
		}
		l := &lines[len(lines)-1]
		l.versions = append(l.versions, p)
	}
	return lines
}

// at is the version that counts at a time, nil before the first.
func (l *policyLine) at(t time.Time) (v *farm.Policy) {
	for _, p := range l.versions {
		if p.VoidedAt.IsZero() && !p.InForceFrom.After(t) {
			v = p
		}
	}
	return v
}

// next is the version that comes after one and is not voided, nil without one.
func (l *policyLine) next(p *farm.Policy) *farm.Policy {
	i := slices.Index(l.versions, p)
	for _, q := range l.versions[i+1:] {
		if q.VoidedAt.IsZero() {
			return q
		}
	}
	return nil
}

// ruleWords say what a policy asks for: "Wipe every 8 prints; probe every start."
func ruleWords(r *upkeep.Rules) string {
	out := ""
	for _, part := range []upkeep.Asks{upkeep.AsksClean, upkeep.AsksWash, upkeep.AsksProbe} {
		if w := r.Words(part); w != "" {
			if out != "" {
				out += "; "
			}
			out += w
		}
	}
	if out == "" {
		return "asks for nothing"
	}
	return out
}

// whereWords say where a policy applies.
func whereWords(s *upkeep.Scope) string {
	if w := s.Words(); w != "" {
		return w
	}
	return "everywhere"
}

func (s *Server) policyHref(name string) string {
	return s.url("/setup/policies/" + url.PathEscape(name))
}

// getPolicies lists the policies: in force, to come, ended.
func (s *Server) getPolicies() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		list, err := s.store.Policies(ctx, time.Time{})
		if err != nil {
			return err
		}
		p := views.PoliciesPage{Shell: withClock(s.shell(c, "Policies", "/setup"), now, zone), Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}},
			Lead:  "What the farm asks for of cleaning and probing, whatever else pays. Of wiping, washing and probing each goes by the narrowest policy that says something about it: one plate or printer before a material, a material before jobs of a size, those before a surface.",
			Main:  views.Link{Word: "Add a policy", Href: s.url("/setup/add-policy")},
			Links: []views.Link{{Word: "Suggestions", Href: s.url("/setup/policy-suggestions")}, {Word: "What changes brought", Href: s.url("/setup/policy-effects")}}}
		columns := func(when string) []views.Column {
			return []views.Column{{Word: "Policy"}, {Word: "Asks"}, {Word: "Where", Wide: true}, {Word: when}, {Word: "By", Wide: true}}
		}
		inForce := views.Table{Caption: "In force", Columns: columns("Since")}
		coming := views.Table{Caption: "To come", Columns: columns("From")}
		over := views.Table{Caption: "Ended", Columns: columns("Since")}
		for _, l := range linesOf(list) {
			row := func(v *farm.Policy) views.Row {
				x := assess.PolicyOf(v)
				return views.Row{Cells: []views.Cell{{Text: l.name, Href: s.policyHref(l.name)}, {Text: sentence(ruleWords(&x.Rules)), Note: v.Reason}, {Text: sentenceCase(whereWords(&x.Scope))},
					{Text: clock(v.InForceFrom, zone)}, {Text: orNoRecord(v.Person)}}}
			}
			if v := l.at(now); v != nil && v.Ended == "" {
				inForce.Rows = append(inForce.Rows, row(v))
			} else if v != nil {
				over.Rows = append(over.Rows, row(v))
			}
			for _, v := range l.versions {
				if v.InForceFrom.After(now) {
					coming.Rows = append(coming.Rows, row(v))
				}
			}
		}
		p.Tables = withRows(inForce, coming, over)
		if len(p.Tables) == 0 {
			p.Empty = "No policy yet: Upkeep asks for what pays by the farm's own records. Add one where something is to be done whatever it saves, or look at the suggestions."
		}
		return render(c, http.StatusOK, views.Policies(p))
	}
}

// openPolicy reads the versions of the policy an address names.
func (s *Server) openPolicy(c echo.Context) (*policyLine, error) {
	name, err := tagParam(c, "tag")
	if err != nil {
		return nil, err
	}
	list, err := s.store.PolicyVersions(c.Request().Context(), name)
	if err != nil {
		return nil, err
	}
	if len(list) == 0 {
		return nil, fault.New(fault.NotFound, "There is no policy %s.", fault.Quote(name))
	}
	return &policyLine{name, list}, nil
}

// policyState says how a policy stands.
func policyState(l *policyLine, now time.Time) views.State {
	switch v := l.at(now); {
	case v == nil:
		return views.State{Code: "coming", Word: "To come"}
	case v.Ended != "":
		return views.State{Code: "ended", Word: "Ended", Sign: "retired"}
	}
	return views.State{Code: "in_force", Word: "In force"}
}

// standing says in one line what policies ask of a printer or plate; an empty one
// where no policy says anything.
func (s *Server) standing(ctx context.Context, now time.Time, place upkeep.Place, parts ...upkeep.Asks) (views.Fact, *upkeep.Policy, error) {
	standing, err := s.cfg.Policies.Standing(ctx, now, place)
	if err != nil {
		return views.Fact{}, nil, err
	}
	fact := views.Fact{Word: "Policy"}
	var last *upkeep.Policy
	for _, part := range parts {
		p := standing[part]
		if p == nil {
			continue
		}
		says := p.Rules.Words(part)
		if fact.Value != "" {
			says = "; " + says
		} else {
			says = sentenceCase(says)
		}
		fact.Value += says
		if last == nil || last.Name != p.Name {
			if fact.Note != "" {
				fact.Note += "; "
			}
			fact.Note += p.Name + ": " + whereWords(&p.Scope)
		}
		last = p
	}
	return fact, last, nil
}

// policyFact adds what policies ask of a printer or plate to its facts.
func (s *Server) policyFact(c echo.Context, now time.Time, place upkeep.Place, facts *[]views.Fact, parts ...upkeep.Asks) error {
	ctx := c.Request().Context()
	if place.Plate != "" && place.Surface == "" {
		rec, err := s.store.Thing(ctx, farm.KindPlate, place.Plate)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		if p, ok := rec.(*farm.Plate); ok {
			place.Surface = p.Surface
		}
	}
	fact, policy, err := s.standing(ctx, now, place, parts...)
	if err != nil || policy == nil {
		return err
	}
	if s.open(c, "/setup/policies") != "" {
		fact.Href = s.policyHref(policy.Name)
	}
	*facts = append(*facts, fact)
	return nil
}
