package store

import (
	"context"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
)

// Materials lists materials by name after a name ("" the beginning).
func (s *Store) Materials(ctx context.Context, after string, limit int) ([]*farm.Material, error) {
	return things[farm.Material](ctx, s, farm.KindMaterial, after, limit)
}

// People lists the crew by handle after a handle ("" the beginning).
func (s *Store) People(ctx context.Context, after string, limit int) ([]*farm.Person, error) {
	return things[farm.Person](ctx, s, farm.KindPerson, after, limit)
}

// Crew lists the people who may have done something, by handle: those who have
// not left, and the one named also.
func (s *Store) Crew(ctx context.Context, also string) ([]*farm.Person, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindPerson, ` WHERE t.disabled_at IS NULL OR t.person = $1 ORDER BY t.person COLLATE "C" LIMIT 1000`, also)
	if err != nil {
		return nil, wrap("store.Crew", err)
	}
	out := make([]*farm.Person, len(list))
	for i, r := range list {
		out[i] = r.(*farm.Person)
	}
	return out, nil
}

// Jobs lists jobs by name after a name ("" the beginning).
func (s *Store) Jobs(ctx context.Context, after string, limit int) ([]*farm.Job, error) {
	return things[farm.Job](ctx, s, farm.KindJob, after, limit)
}

// Settings gives the farm's settings; what is not set has its default.
func (s *Store) Settings(ctx context.Context) (farm.SettingValues, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindSetting, "")
	if err != nil {
		return nil, wrap("store.Settings", err)
	}
	values := farm.SettingValues{}
	for _, r := range list {
		v := r.(*farm.Setting)
		values[v.Key] = v.Value
	}
	return values, nil
}

// OpenHolds lists the holds in force at a time, the oldest first.
func (s *Store) OpenHolds(ctx context.Context, at time.Time) ([]*farm.Hold, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindHold, ` WHERE t.placed_at <= $1 AND (t.released_at IS NULL OR t.released_at > $1) AND t.voided_at IS NULL
		ORDER BY t.placed_at, t.id`, at)
	if err != nil {
		return nil, wrap("store.OpenHolds", err)
	}
	out := make([]*farm.Hold, len(list))
	for i, r := range list {
		out[i] = r.(*farm.Hold)
	}
	return out, nil
}

// Event gives one event of a kind by its id, whichever way it is written, as a
// pointer to the kind's struct in farm; NotFound when there is none.
func (s *Store) Event(ctx context.Context, kind farm.Kind, id farm.ID) (any, error) {
	l := layouts[kind]
	if l == nil || !l.Event {
		return nil, fault.New(fault.Invalid, "%s is no kind of event", fault.Quote(string(kind)))
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, kind, ` JOIN records r ON r.id = t.id WHERE r.id = $1 AND r.kind = $2 AND t.`+l.whenColumn()+
		` = r.happened_at AND `+l.ownerMatch("r.owner"), id.UUID, string(kind))
	if err != nil {
		return nil, wrap("store.Event", err)
	}
	if len(list) != 1 {
		return nil, fault.New(fault.NotFound, "there is no %s %s", kind, fault.Quote(id.Text()))
	}
	return list[0], nil
}
