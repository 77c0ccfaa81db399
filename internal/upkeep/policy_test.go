package upkeep

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"basecourse/internal/findings"
)

var (
	day0  = time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	whole = Policy{ID: "1", Name: "farm", From: day0, Rules: Rules{CleanPrints: 8, WashPrints: 40, ProbeStarts: 3, ProbeAfter: Swap | Service}}
)

func TestThePolicyInForceIsTheLatestThatBegan(t *testing.T) {
	next, end, other, twin := whole, whole, whole, whole
	next.ID, next.From, next.CleanPrints = "2", day0.AddDate(0, 0, 7), 5
	end.ID, end.From, end.Ended = "3", day0.AddDate(0, 0, 14), true
	other.ID, other.Name = "4", "another"
	twin.ID, twin.From, twin.CleanPrints = "2b", next.From, 6
	versions := []Policy{end, twin, next, other, whole}
	for _, c := range []struct {
		after time.Duration
		want  []string
	}{
		{-time.Microsecond, nil}, {0, []string{"4", "1"}}, {7*24*time.Hour - 1, []string{"4", "1"}},
		{7 * 24 * time.Hour, []string{"4", "2b"}}, {14 * 24 * time.Hour, []string{"4"}},
	} {
		var got []string
		for _, p := range InForce(versions, day0.Add(c.after)) {
			got = append(got, p.ID)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("after %s: got %v, want %v", c.after, got, c.want)
		}
	}
}

func TestTheNarrowestPolicyGoverns(t *testing.T) {
	with := func(id string, r Rules, s Scope) Policy {
		return Policy{ID: id, Name: id, From: day0, Scope: s, Rules: r}
	}
	clean, probe := Rules{CleanPrints: 5}, Rules{ProbeStarts: 5}
	list := []Policy{
		whole,
		with("glass", clean, Scope{Surface: "glass"}), with("pla", clean, Scope{Material: "PLA"}), with("big", clean, Scope{JobFrom: 10}),
		with("plate", clean, Scope{Plate: "T-1"}), with("printer", Rules{CleanPrints: 5, ProbeStarts: 5}, Scope{Printer: "R-1"}),
		with("plate too", probe, Scope{Plate: "T-1"}), with("big glass", clean, Scope{JobFrom: 10, Surface: "glass"}),
		with("huge", clean, Scope{JobFrom: 10, JobTo: 30}), with("wash", Rules{WashPrints: 9}, Scope{Material: "PETG"}),
	}
	for _, c := range []struct {
		place              Place
		clean, wash, probe string
	}{
		{Place{}, "1", "1", "1"},
		{Place{Surface: "glass"}, "glass", "1", "1"},
		{Place{Surface: "glass", Material: "PLA"}, "pla", "1", "1"},
		{Place{Surface: "glass", Material: "PLA", JobPlates: 9}, "pla", "1", "1"},
		{Place{Surface: "glass", JobPlates: 40}, "big glass", "1", "1"},
		{Place{JobPlates: 10}, "huge", "1", "1"}, // the tighter range
		{Place{JobPlates: 31}, "big", "1", "1"},
		{Place{Plate: "T-1", Printer: "R-1"}, "plate", "1", "printer"}, // each by what it is done to
		{Place{Plate: "T-1", Printer: "R-2"}, "plate", "1", "plate too"},
		{Place{Plate: "T-2", Printer: "R-1", Material: "PETG"}, "printer", "wash", "printer"},
	} {
		l := LimitsFor(list, &c.place)
		for a, want := range []string{c.clean, c.wash, c.probe} {
			if l.By[a] == nil || l.By[a].ID != want {
				t.Errorf("%+v, part %d: got %+v, want %s", c.place, a, l.By[a], want)
			}
		}
	}
	if l := LimitsFor(list[1:2], &Place{}); l.By != (Limits{}).By || l.Rules != (Rules{}) {
		t.Errorf("outside of every scope: got %+v", l)
	}
}

// Whatever policies there are: order does not matter, what governs covers the start,
// and a policy that names all that another does and more goes before it.
func TestGoverningHoldsForAnyPolicies(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 4))
	pick := func(list ...string) string { return list[r.IntN(len(list))] }
	for range 2000 {
		var list []Policy
		for i := range 1 + r.IntN(7) {
			list = append(list, Policy{ID: string(rune('a' + i)), Name: string(rune('a' + i)), From: day0.Add(time.Duration(r.IntN(3)) * time.Hour),
				Scope: Scope{pick("", "", "T-1", "T-2"), pick("", "", "R-1"), pick("", "PLA"), pick("", "glass"), r.IntN(3) * 5, 0}, Rules: Rules{CleanPrints: int32(r.IntN(2) * 4), ProbeStarts: int32(r.IntN(2) * 3)}})
		}
		place := Place{pick("T-1", "T-2", ""), pick("R-1", "R-2"), pick("PLA", ""), pick("glass", "other", ""), r.IntN(12)}
		for a := range allAsks {
			best := Governing(list, &place, a)
			other := slices.Clone(list)
			r.Shuffle(len(other), func(i, j int) { other[i], other[j] = other[j], other[i] })
			again := Governing(other, &place, a)
			if (best == nil) != (again == nil) || best != nil && best.ID != again.ID {
				t.Fatalf("%+v of %+v: %+v, in another order %+v", place, list, best, again)
			}
			for i := range list {
				q := &list[i]
				if !q.Has(a) || !q.Covers(&place) {
					if best == q {
						t.Fatalf("%+v: %+v governs and does not apply", place, q)
					}
					continue
				}
				if best == nil {
					t.Fatalf("%+v: nothing governs, yet %+v applies", place, q)
				}
				if q != best && within(&q.Scope, &best.Scope) {
					t.Fatalf("%+v: %+v governs, %+v is narrower", place, best, q)
				}
			}
		}
	}
}

// within tells whether one scope names all that another does, and more.
func within(s, of *Scope) bool {
	more := false
	for _, x := range [][2]string{{s.Plate, of.Plate}, {s.Printer, of.Printer}, {s.Material, of.Material}, {s.Surface, of.Surface}} {
		if x[1] != "" && x[0] != x[1] {
			return false
		}
		more = more || x[0] != x[1]
	}
	if of.JobFrom > 0 && s.JobFrom != of.JobFrom {
		return false
	}
	return more || s.JobFrom != of.JobFrom
}

func TestRulesAndScopesInWords(t *testing.T) {
	r := Rules{CleanPrints: 8, CleanHours: 12.5, WashPrints: 1, ProbeStarts: 1, ProbeHours: 1, ProbeAfter: Swap | Move | Temperature}
	for a, want := range []string{"wipe every 8 prints or every 12.5 hours", "wash every print", "probe every start or every hour and after a plate swap, a move or a change of bed temperature"} {
		if got := r.Words(Asks(a)); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
	if got := (&Rules{ProbeAfter: Service}).Words(AsksProbe) + (&Rules{}).Words(AsksProbe) + (&Rules{}).Words(AsksClean); got != "probe after a service" {
		t.Errorf("got %q", got)
	}
	for want, s := range map[string]Scope{"": {}, "plate T-1, printer R-1": {Plate: "T-1", Printer: "R-1"}, "glass plates, PLA, jobs of 5 to 20 plates": {Surface: "glass", Material: "PLA", JobFrom: 5, JobTo: 20},
		"jobs of at least 1 plate": {JobFrom: 1}, "jobs of at most 3 plates": {JobTo: 3}, "jobs of 4 plates": {JobFrom: 4, JobTo: 4}} {
		if got := s.Words(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

// With no wear at all only policies ask, and say so.
func TestWhatPoliciesAskFor(t *testing.T) {
	a := NewAdviser(NewForecast(&findings.Model{Mix: []findings.Weighted{{At: 0, Share: 1}}, Mean: findings.Level{At: -3}}), DefaultCosts(), Echo{})
	glass := Policy{Name: "g", Scope: Scope{Surface: "glass"}, Rules: Rules{CleanPrints: 8, CleanHours: 24, WashPrints: 40, ProbeStarts: 3, ProbeHours: 36, ProbeAfter: Swap | Temperature}}
	limits := LimitsFor([]Policy{glass}, &Place{Surface: "glass"})
	fresh := State{Next: Next{Probing: findings.ProbingValid}, SinceWash: 5, HoursSinceProbe: 1, HoursSinceClean: 1}
	for _, c := range []struct {
		name   string
		change func(*State)
		want   []string
	}{
		{"nothing", func(*State) {}, nil},
		{"7 prints", func(s *State) { s.Gap = 7 }, nil},
		{"8 prints", func(s *State) { s.Gap = 8 }, []string{"8 prints since it was cleaned; policy: wipe every 8 prints (glass plates)"}},
		{"a day", func(s *State) { s.HoursSinceClean = 24 }, []string{"24 hours since it was cleaned; policy: wipe every 24 hours (glass plates)"}},
		{"40 prints: washed, not wiped too", func(s *State) { s.Gap, s.SinceWash = 40, 40 }, []string{"40 prints since its wash; policy: wash every 40 prints (glass plates)"}},
		{"3 starts", func(s *State) { s.SinceProbe, s.Probing = 3, findings.ProbingSkipped }, []string{"3 starts since its probe; policy: probe every 3 starts (glass plates)"}},
		{"2 starts", func(s *State) { s.SinceProbe, s.Probing = 2, findings.ProbingSkipped }, nil},
		{"probed long ago, for this start", func(s *State) { s.HoursSinceProbe = 37 }, []string{"37 hours since its probe; policy: probe every 36 hours (glass plates)"}},
		{"never probed", func(s *State) { s.HoursSinceProbe, s.SinceProbe, s.Probing = math.NaN(), -1, findings.ProbingUnknown }, nil},
		{"swapped", func(s *State) { s.Happened, s.Probing = Swap|Service, findings.ProbingVoid }, []string{"plate swapped since its probe; policy: probe after a plate swap (glass plates)"}},
		{"serviced, which it does not ask about", func(s *State) { s.Happened, s.Probing = Service, findings.ProbingVoid }, nil},
		{"events before age", func(s *State) { s.Happened, s.HoursSinceProbe = Temperature, 90 }, []string{"bed temperature changed since its probe; policy: probe after a change of bed temperature (glass plates)"}},
	} {
		s := fresh
		c.change(&s)
		var got []string
		for _, d := range a.Answer(&s, &limits) {
			x := Item{Due: d}
			got = append(got, x.Because[0]+"; "+x.Because[1])
			if !d.ByPolicy {
				t.Errorf("%s: %+v is not by policy", c.name, d)
			}
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: got %q, want %q", c.name, got, c.want)
		}
	}
}
