package assess

import (
	"context"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
)

// PolicyOf is a stored version of a policy as upkeep goes by it.
func PolicyOf(r *farm.Policy) upkeep.Policy {
	number := func(x float64) float64 {
		if farm.Known(x) {
			return x
		}
		return 0
	}
	p := upkeep.Policy{ID: r.ID.UUID.String(), Name: r.Name, From: r.InForceFrom, Ended: r.Ended == "yes",
		Scope: upkeep.Scope{Plate: r.Plate, Printer: r.Printer, Material: r.Material, Surface: r.Surface, JobFrom: r.JobPlatesFrom, JobTo: r.JobPlatesTo},
		Rules: upkeep.Rules{CleanPrints: int32(r.CleanPrints), WashPrints: int32(r.WashPrints), ProbeStarts: int32(r.ProbeStarts),
			CleanHours: number(r.CleanHours), ProbeHours: number(r.ProbeHours)}}
	for e, says := range map[upkeep.Events]string{upkeep.Swap: r.AfterSwap, upkeep.Service: r.AfterService, upkeep.Move: r.AfterMove, upkeep.Temperature: r.AfterTemperature} {
		if says == "yes" {
			p.ProbeAfter |= e
		}
	}
	return p
}

// PoliciesOf are stored versions as upkeep goes by them.
func PoliciesOf(list []*farm.Policy) []upkeep.Policy {
	out := make([]upkeep.Policy, len(list))
	for i, r := range list {
		out[i] = PolicyOf(r)
	}
	return out
}

// policing is the policies in force at a time, with what they ask about.
type policing struct {
	inForce  []upkeep.Policy
	surfaces map[string]string            // by plate; nil: no policy asks
	facts    map[string]*store.PolicyFact // by printer; nil: no policy asks
}

// policing reads the policies in force and, of some printers or all (none named),
// what they ask about. It costs one query where there is none.
func (a *Assessor) policing(ctx context.Context, q AsOf, printers ...string) (*policing, error) {
	list, err := a.store.Policies(ctx, q.KnownAt)
	if err != nil {
		return nil, err
	}
	p := &policing{inForce: upkeep.InForce(PoliciesOf(list), q.At)}
	surface, fact := false, false
	for i := range p.inForce {
		x := &p.inForce[i]
		surface = surface || x.Surface != ""
		fact = fact || x.JobFrom > 0 || x.JobTo > 0 || x.ProbeAfter != 0
	}
	if surface {
		if p.surfaces, err = a.store.PlateSurfaces(ctx); err != nil {
			return nil, err
		}
	}
	if fact {
		facts, err := a.store.PolicyFacts(ctx, q.At, printers)
		if err != nil {
			return nil, err
		}
		p.facts = make(map[string]*store.PolicyFact, len(facts))
		for i := range facts {
			p.facts[facts[i].Printer] = &facts[i]
		}
	}
	return p, nil
}

// ask sets what policies ask for at a printer's next start, and what they want to
// know of it.
func (p *policing) ask(s *upkeep.State, place upkeep.Place, swapped bool) upkeep.Limits {
	if len(p.inForce) == 0 {
		return upkeep.Limits{}
	}
	place.Surface = p.surfaces[place.Plate]
	f := p.facts[place.Printer]
	if f != nil {
		place.JobPlates = f.JobPlates
	}
	l := upkeep.LimitsFor(p.inForce, &place)
	if f == nil || l.ProbeAfter == 0 {
		return l
	}
	for e, yes := range map[upkeep.Events]bool{
		// Exposures tell a swap and a service apart by nothing, but see more swaps.
		upkeep.Swap:    f.Swap || swapped && !f.Service && !f.Moved,
		upkeep.Service: f.Service, upkeep.Move: f.Moved,
		upkeep.Temperature: f.ProbeBed != nil && f.NextBed != nil && (*f.NextBed-*f.ProbeBed >= upkeep.OtherTemperature || *f.ProbeBed-*f.NextBed >= upkeep.OtherTemperature),
	} {
		if yes {
			s.Happened |= e
		}
	}
	return l
}

// Standing is what policies ask of a printer, or of a plate where it lies, in force
// at a time: the policy of each part of upkeep, nil where none says anything.
type Standing [3]*upkeep.Policy

// Standing tells which policies are in force at a place; the material is not known
// before a start, so one that names a material counts where it is given.
func (a *Assessor) Standing(ctx context.Context, at time.Time, place upkeep.Place) (Standing, error) {
	var out Standing
	list, err := a.store.Policies(ctx, time.Time{})
	if err != nil || len(list) == 0 {
		return out, err
	}
	inForce := upkeep.InForce(PoliciesOf(list), at)
	for i, part := range []upkeep.Asks{upkeep.AsksClean, upkeep.AsksWash, upkeep.AsksProbe} {
		out[i] = upkeep.Governing(inForce, &place, part)
	}
	return out, nil
}
