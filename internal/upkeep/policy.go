package upkeep

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
)

// Scope says where a policy applies; what is empty or 0 does not narrow it.
type Scope struct {
	Plate, Printer, Material, Surface string
	JobFrom, JobTo                    int // size of the job in plates, both included
}

// Rules are what a policy asks for; 0 asks for nothing.
type Rules struct {
	CleanPrints, WashPrints, ProbeStarts int32
	CleanHours, ProbeHours               float64
	ProbeAfter                           Events
}

// Events that make a probe void. They are bits.
type Events uint8

// The events.
const (
	Swap        Events = 1 << iota // another plate, or the plate taken off and put on
	Service                        // nozzle, bed or other work
	Move                           // the printer was moved
	Temperature                    // the bed is to be hotter or colder than when it was probed
)

// OtherTemperature is by how many degrees a bed's temperature has to differ from
// that of the probe to be another one (common practice, no source).
const OtherTemperature = 5.0

var eventWords = []struct {
	Events
	after, happened string
}{{Swap, "a plate swap", "plate swapped"}, {Service, "a service", "printer serviced"}, {Move, "a move", "printer moved"}, {Temperature, "a change of bed temperature", "bed temperature changed"}}

// Policy is what is asked for within a scope, from an instant on. Of versions of one
// name the latest that has begun is in force; one that has ended asks for nothing.
type Policy struct {
	ID, Name string
	From     time.Time
	Ended    bool
	Scope
	Rules
}

// InForce gives the policies in force at a time: of each name the version that came
// into force last at or before it, of two at one instant the one with the larger ID,
// unless it has ended. By name in bytes' order.
func InForce(versions []Policy, at time.Time) []Policy {
	last := map[string]*Policy{}
	for i := range versions {
		p := &versions[i]
		if p.From.After(at) {
			continue
		}
		if q := last[p.Name]; q == nil || cmp.Or(p.From.Compare(q.From), cmp.Compare(p.ID, q.ID)) > 0 {
			last[p.Name] = p
		}
	}
	var out []Policy
	for _, p := range last {
		if !p.Ended {
			out = append(out, *p)
		}
	}
	slices.SortFunc(out, func(a, b Policy) int { return cmp.Compare(a.Name, b.Name) })
	return out
}

// Place is where a start is made, as far as policies ask; what is not known is empty
// or 0 and lies in no scope that names it.
type Place struct {
	Plate, Printer, Material, Surface string
	JobPlates                         int
}

// Covers tells whether a start lies in the scope.
func (s *Scope) Covers(p *Place) bool {
	return (s.Plate == "" || s.Plate == p.Plate) && (s.Printer == "" || s.Printer == p.Printer) && (s.Material == "" || s.Material == p.Material) &&
		(s.Surface == "" || s.Surface == p.Surface) && (s.JobFrom == 0 || p.JobPlates >= s.JobFrom) && (s.JobTo == 0 || p.JobPlates > 0 && p.JobPlates <= s.JobTo)
}

// narrow says how narrow a scope is: one plate or printer (of cleaning the plate,
// of probing the printer counts more), then material, job, surface; a scope that
// names all that another does and more is always narrower.
func (s *Scope) narrow(plateFirst bool) int {
	n := 0
	add := func(has bool, weight int) {
		if has {
			n += weight
		}
	}
	plate, printer := 16, 8
	if !plateFirst {
		plate, printer = 8, 16
	}
	add(s.Plate != "", plate)
	add(s.Printer != "", printer)
	add(s.Material != "", 4)
	add(s.JobFrom > 0 || s.JobTo > 0, 2)
	add(s.Surface != "", 1)
	return n
}

// width of the range of job sizes, for two that are otherwise as narrow.
func (s *Scope) width() int {
	to := s.JobTo
	if to == 0 {
		to = 1 << 20
	}
	return to - s.JobFrom
}

// Asks are the parts of a policy that are looked up each by itself: who wipes by one
// policy may probe by another.
type Asks uint8

// The parts.
const (
	AsksClean Asks = iota // wiping, by prints or hours
	AsksWash
	AsksProbe
	allAsks
)

// Has tells whether the rules say anything about a part.
func (r *Rules) Has(a Asks) bool {
	switch a {
	case AsksClean:
		return r.CleanPrints > 0 || r.CleanHours > 0
	case AsksWash:
		return r.WashPrints > 0
	}
	return r.ProbeStarts > 0 || r.ProbeHours > 0 || r.ProbeAfter != 0
}

// Governing gives the policy that holds for a part of a start's upkeep: of those in
// force whose scope covers it and which say something about the part the narrowest;
// of equally narrow ones that with the tighter range of jobs, then the latest, then
// the one with the larger ID. nil: none.
func Governing(inForce []Policy, p *Place, a Asks) *Policy {
	var best *Policy
	for i := range inForce {
		q := &inForce[i]
		if !q.Has(a) || !q.Covers(p) {
			continue
		}
		if best == nil || best.before(q, a) {
			best = q
		}
	}
	return best
}

// before tells whether another policy goes before this one.
func (p *Policy) before(q *Policy, a Asks) bool {
	return cmp.Or(cmp.Compare(q.narrow(a != AsksProbe), p.narrow(a != AsksProbe)), cmp.Compare(p.width(), q.width()), q.From.Compare(p.From), cmp.Compare(q.ID, p.ID)) > 0
}

// LimitsFor gives what the policies in force ask for at a start.
func LimitsFor(inForce []Policy, place *Place) Limits {
	var l Limits
	for a := range allAsks {
		p := Governing(inForce, place, a)
		if p == nil {
			continue
		}
		switch a {
		case AsksClean:
			l.CleanPrints, l.CleanHours = p.CleanPrints, p.CleanHours
		case AsksWash:
			l.WashPrints = p.WashPrints
		case AsksProbe:
			l.ProbeStarts, l.ProbeHours, l.ProbeAfter = p.ProbeStarts, p.ProbeHours, p.ProbeAfter
		}
		l.By[a] = p
	}
	return l
}

// Limits are what the farm's policies ask for at a start, whatever the counts say; 0
// is no limit. By are the policies each part comes from, nil without one.
type Limits struct {
	Rules
	By [allAsks]*Policy
}

// said ends a reason with where its policy holds, where that is not everywhere.
func (l *Limits) said(a Asks, rule string) string {
	if p := l.By[a]; p != nil {
		if where := p.Scope.Words(); where != "" {
			return "policy: " + rule + " (" + where + ")"
		}
	}
	return "policy: " + rule
}

// Words say where a scope is, "" everywhere: "glass plates, PLA, jobs of 5 to 20
// plates".
func (s *Scope) Words() string {
	var list []string
	if s.Plate != "" {
		list = append(list, "plate "+s.Plate)
	}
	if s.Printer != "" {
		list = append(list, "printer "+s.Printer)
	}
	if s.Surface != "" {
		list = append(list, surfaceWords[s.Surface]+" plates")
	}
	if s.Material != "" {
		list = append(list, s.Material)
	}
	switch from, to := s.JobFrom, s.JobTo; {
	case from > 0 && from == to:
		list = append(list, "jobs of "+count(from, "plate"))
	case from > 0 && to > 0:
		list = append(list, fmt.Sprintf("jobs of %d to %d plates", from, to))
	case from > 0:
		list = append(list, "jobs of at least "+count(from, "plate"))
	case to > 0:
		list = append(list, "jobs of at most "+count(to, "plate"))
	}
	return strings.Join(list, ", ")
}

var surfaceWords = map[string]string{"pei_textured": "textured PEI", "pei_smooth": "smooth PEI", "glass": "glass", "garolite": "garolite", "polypropylene": "polypropylene", "other": "other"}

func count(n int, unit string) string {
	if n == 1 {
		return "1 " + unit
	}
	return fmt.Sprintf("%d %ss", n, unit)
}

// Words say what the rules of a part ask for, "" nothing: "wipe every 8 prints or 12
// hours", "probe before every start and after a service".
func (r *Rules) Words(a Asks) string {
	var list []string
	add := func(text string) {
		if text != "" {
			list = append(list, text)
		}
	}
	switch a {
	case AsksClean:
		if r.CleanPrints > 0 {
			add(every("", int(r.CleanPrints), "print"))
		}
		if r.CleanHours > 0 {
			add(hours(r.CleanHours))
		}
		return prefixed("wipe", list, "")
	case AsksWash:
		if r.WashPrints > 0 {
			add(every("", int(r.WashPrints), "print"))
		}
		return prefixed("wash", list, "")
	}
	if r.ProbeStarts > 0 {
		add(every("", int(r.ProbeStarts), "start"))
	}
	if r.ProbeHours > 0 {
		add(hours(r.ProbeHours))
	}
	return prefixed("probe", list, r.ProbeAfter.after())
}

func hours(h float64) string {
	if h == 1 {
		return "every hour"
	}
	return fmt.Sprintf("every %g hours", h)
}

func prefixed(verb string, list []string, after string) string {
	for i := range list {
		list[i] = strings.TrimSpace(list[i])
	}
	s := strings.Join(list, " or ")
	switch {
	case s == "" && after == "":
		return ""
	case s == "":
		return verb + " " + after
	case after == "":
		return verb + " " + s
	}
	return verb + " " + s + " and " + after
}

// after words events: "after a plate swap or a service".
func (e Events) after() string {
	var list []string
	for _, w := range eventWords {
		if e&w.Events != 0 {
			list = append(list, w.after)
		}
	}
	if len(list) == 0 {
		return ""
	}
	s := list[len(list)-1]
	if n := len(list) - 1; n > 0 {
		s = strings.Join(list[:n], ", ") + " or " + s
	}
	return "after " + s
}

// happened words what lies after a probe, the first of the events.
func (e Events) happened() string {
	for _, w := range eventWords {
		if e&w.Events != 0 {
			return w.happened + " since its probe"
		}
	}
	return ""
}
