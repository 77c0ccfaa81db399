package store

import (
	"context"
	"errors"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// RegradeLayer is a graded first layer that may be drawn to be graded again.
type RegradeLayer struct {
	ID    uuid.UUID
	Photo uuid.UUID // zero: to be seen as a peeled sheet
	Grade string
}

// mostToDraw is among how many layers a lot draws at most, the latest.
const mostToDraw = 3000

// RegradePhotos lists the graded layers with a kept photo taken since a time that a
// person was not drawn to grade again, the latest first.
func (s *Store) RegradePhotos(ctx context.Context, person int32, since time.Time) ([]RegradeLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT h.id, h.first_layer FROM photos h WHERE h.taken_at >= $1 AND h.voided_at IS NULL AND EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id)
		ORDER BY h.taken_at DESC, h.id LIMIT $2`, since, mostToDraw)
	if err != nil {
		return nil, wrap("store.RegradePhotos", err)
	}
	photos := map[uuid.UUID]uuid.UUID{}
	var layers []uuid.UUID
	var photo uuid.UUID
	var text string
	_, err = pgx.ForEachRow(rows, []any{&photo, &text}, func() error {
		id, err := farm.NewID(farm.KindFirstLayer, text)
		if _, there := photos[id.UUID]; err == nil && !there {
			photos[id.UUID] = photo
			layers = append(layers, id.UUID)
		}
		return nil
	})
	if err != nil || len(layers) == 0 {
		return nil, wrap("store.RegradePhotos", err)
	}
	list, err := s.mayBeDrawn(ctx, person, `JOIN records r ON r.owner = f.printer AND r.happened_at = f.started_at AND r.id = f.id WHERE r.id = ANY ($2) AND r.kind = 'first_layer'`, layers)
	for i := range list {
		list[i].Photo = photos[list[i].ID]
	}
	return list, wrap("store.RegradePhotos", err)
}

// RegradeSheets lists the graded layers started since a time that a person was not drawn
// to grade again: their sheets may still lie there.
func (s *Store) RegradeSheets(ctx context.Context, person int32, since time.Time) ([]RegradeLayer, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.mayBeDrawn(ctx, person, `WHERE f.started_at >= $2`, since)
	return list, wrap("store.RegradeSheets", err)
}

func (s *Store) mayBeDrawn(ctx context.Context, person int32, from string, arg any) ([]RegradeLayer, error) {
	rows, err := s.pool.Query(ctx, `SELECT f.id, '00000000-0000-0000-0000-000000000000'::uuid, f.grade::text FROM first_layers f `+from+`
		AND f.grade IS NOT NULL AND f.grader IS NOT NULL AND f.voided_at IS NULL AND NOT EXISTS (SELECT FROM regrade_draws d WHERE d.person = $1 AND d.first_layer = f.id)
		ORDER BY f.started_at DESC, f.id LIMIT $3`, person, arg, mostToDraw)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[RegradeLayer])
}

// RegradeDraw is one layer drawn for a person.
type RegradeDraw struct {
	ID, Batch  uuid.UUID
	Place      int
	Person     int32
	DrawnAt    time.Time
	FirstLayer uuid.UUID
	Photo      *uuid.UUID // nil: a peeled sheet
	Chance     float64
}

// KeepRegradeDraws keeps a lot.
func (s *Store) KeepRegradeDraws(ctx context.Context, list []RegradeDraw) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.CopyFrom(ctx, pgx.Identifier{"regrade_draws"}, []string{"id", "batch", "place", "person", "drawn_at", "first_layer", "photo", "chance"},
		pgx.CopyFromSlice(len(list), func(i int) ([]any, error) {
			d := &list[i]
			return []any{d.ID, d.Batch, int16(d.Place), d.Person, d.DrawnAt, d.FirstLayer, d.Photo, d.Chance}, nil
		}))
	return wrap("store.KeepRegradeDraws", err)
}

// A draw is open until its person graded the layer in this lot (an undone grade opens it
// again), passed it over, or its photo went.
const drawOpen = `d.passed_at IS NULL AND (d.photo IS NULL OR EXISTS (SELECT FROM photo_files x WHERE x.photo = d.photo))
	AND NOT EXISTS (SELECT FROM regrades g WHERE g.grader = d.person AND g.graded_at >= d.drawn_at AND g.batch = d.batch::text AND g.first_layer = d.first_layer::text AND g.voided_at IS NULL)`

// NextRegrade gives a person's next open draw made since a time, of photos or of sheets,
// and how many are open with it; NotFound when there is none.
func (s *Store) NextRegrade(ctx context.Context, person int32, since time.Time, photos bool) (d RegradeDraw, open int, err error) {
	return s.regradeDraw(ctx, `d.person = $1 AND d.drawn_at >= $2 AND (d.photo IS NOT NULL) = $3 AND `+drawOpen+` ORDER BY d.drawn_at, d.place LIMIT 1`, person, since, photos)
}

// RegradeDrawOf gives a person's own draw by its id; NotFound for anybody else's.
func (s *Store) RegradeDrawOf(ctx context.Context, person int32, id uuid.UUID) (RegradeDraw, error) {
	d, _, err := s.regradeDraw(ctx, `d.person = $1 AND d.id = $2`, person, id)
	return d, err
}

func (s *Store) regradeDraw(ctx context.Context, where string, args ...any) (d RegradeDraw, open int, err error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	err = s.pool.QueryRow(ctx, `SELECT d.id, d.batch, d.place::int, d.person, d.drawn_at, d.first_layer, d.photo, d.chance, count(*) OVER ()::int FROM regrade_draws d WHERE `+where, args...).
		Scan(&d.ID, &d.Batch, &d.Place, &d.Person, &d.DrawnAt, &d.FirstLayer, &d.Photo, &d.Chance, &open)
	if errors.Is(err, pgx.ErrNoRows) {
		return d, 0, fault.New(fault.NotFound, "There is no such layer to grade again.")
	}
	return d, open, wrap("store.regradeDraw", err)
}

// PassRegrade passes a draw over: it could not be told, or its sheet is gone.
func (s *Store) PassRegrade(ctx context.Context, person int32, id uuid.UUID) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	_, err := s.pool.Exec(ctx, `UPDATE regrade_draws SET passed_at = $3 WHERE person = $1 AND id = $2 AND passed_at IS NULL`, person, id, s.Now())
	return wrap("store.PassRegrade", err)
}

// RegradePair is a second grade beside the first of the same layer.
type RegradePair struct {
	*farm.Regrade
	Layer      uuid.UUID
	First      string // who gave the first grade
	FirstGrade string
	FirstMarks string // as records have them
	Underside  string
}

// mostPairs is how many second grades are read, the latest.
const mostPairs = 20000

// RegradePairs lists the second grades after a time up to another, the first first, beside
// the first grades as they stand now; those whose layer was voided or is graded no more
// are left out.
func (s *Store) RegradePairs(ctx context.Context, from, to time.Time) ([]RegradePair, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	recs, err := s.take(ctx, farm.KindRegrade, ` WHERE t.graded_at > $1 AND t.graded_at <= $2 AND t.voided_at IS NULL ORDER BY t.graded_at DESC, t.id DESC LIMIT $3`, from, to, mostPairs)
	if err != nil {
		return nil, wrap("store.RegradePairs", err)
	}
	var pairs []RegradePair
	var ids []uuid.UUID
	for i := len(recs) - 1; i >= 0; i-- {
		r := recs[i].(*farm.Regrade)
		id, err := farm.NewID(farm.KindFirstLayer, r.FirstLayer)
		if err != nil {
			continue
		}
		pairs, ids = append(pairs, RegradePair{Regrade: r, Layer: id.UUID}), append(ids, id.UUID)
	}
	if len(ids) == 0 {
		return nil, nil
	}
	rows, err := s.pool.Query(ctx, `SELECT f.id, f.grade::text, coalesce(f.marks, ''), coalesce(f.underside::text, ''), p.person
		FROM records r JOIN first_layers f ON f.printer = r.owner AND f.started_at = r.happened_at AND f.id = r.id JOIN people p ON p.id = f.grader
		WHERE r.id = ANY ($1) AND r.kind = 'first_layer' AND f.grade IS NOT NULL AND f.voided_at IS NULL`, ids)
	if err != nil {
		return nil, wrap("store.RegradePairs", err)
	}
	type first struct{ grade, marks, underside, who string }
	firsts := map[uuid.UUID]first{}
	var id uuid.UUID
	var f first
	if _, err := pgx.ForEachRow(rows, []any{&id, &f.grade, &f.marks, &f.underside, &f.who}, func() error {
		firsts[id] = f
		return nil
	}); err != nil {
		return nil, wrap("store.RegradePairs", err)
	}
	out := pairs[:0]
	for _, p := range pairs {
		if f, there := firsts[p.Layer]; there {
			p.First, p.FirstGrade, p.FirstMarks, p.Underside = f.who, f.grade, f.marks, f.underside
			out = append(out, p)
		}
	}
	return out, nil
}

// HandlesOf gives people's handles by their numbers.
func (s *Store) HandlesOf(ctx context.Context, people []int32) (map[int32]string, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT id, person FROM people WHERE id = ANY ($1)`, people)
	if err != nil {
		return nil, wrap("store.HandlesOf", err)
	}
	out := map[int32]string{}
	var id int32
	var handle string
	_, err = pgx.ForEachRow(rows, []any{&id, &handle}, func() error {
		out[id] = handle
		return nil
	})
	return out, wrap("store.HandlesOf", err)
}

// PersonShift is one recorded shift of a person.
type PersonShift struct {
	Person   string
	StartsAt time.Time
}

// PersonShifts lists the shifts that began after a time up to another.
func (s *Store) PersonShifts(ctx context.Context, from, to time.Time) ([]PersonShift, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT p.person, h.starts_at FROM shifts h JOIN people p ON p.id = h.person WHERE h.starts_at > $1 AND h.starts_at <= $2 AND h.cancelled_at IS NULL LIMIT 100000`, from, to)
	if err != nil {
		return nil, wrap("store.PersonShifts", err)
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[PersonShift])
	return list, wrap("store.PersonShifts", err)
}

// Qualifications lists a person's rounds of practice, or everybody's ("") of the latest
// rounds, the latest first; voided ones are left out.
func (s *Store) Qualifications(ctx context.Context, person string, limit int) ([]*farm.Qualification, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindQualification, ` JOIN people w ON w.id = t.person WHERE ($1 = '' OR w.person = $1) AND t.voided_at IS NULL ORDER BY t.at DESC, t.id DESC LIMIT $2`, person, limit)
	if err != nil {
		return nil, wrap("store.Qualifications", err)
	}
	out := make([]*farm.Qualification, len(list))
	for i, r := range list {
		out[i] = r.(*farm.Qualification)
	}
	return out, nil
}

// PracticeItems lists the photos that are practised on, the first chosen first, at most
// so many; those whose picture has gone are left out.
func (s *Store) PracticeItems(ctx context.Context, limit int) ([]*farm.PracticeItem, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	list, err := s.take(ctx, farm.KindPracticeItem, ` WHERE t.voided_at IS NULL ORDER BY t.at, t.id LIMIT $1`, limit)
	if err != nil {
		return nil, wrap("store.PracticeItems", err)
	}
	var photos []uuid.UUID
	for _, r := range list {
		if id, err := farm.NewID(farm.KindPhoto, r.(*farm.PracticeItem).Photo); err == nil {
			photos = append(photos, id.UUID)
		}
	}
	rows, err := s.pool.Query(ctx, `SELECT photo FROM photo_files WHERE photo = ANY ($1)`, photos)
	if err != nil {
		return nil, wrap("store.PracticeItems", err)
	}
	kept, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, wrap("store.PracticeItems", err)
	}
	there := map[uuid.UUID]bool{}
	for _, id := range kept {
		there[id] = true
	}
	var out []*farm.PracticeItem
	for _, r := range list {
		p := r.(*farm.PracticeItem)
		if id, err := farm.NewID(farm.KindPhoto, p.Photo); err == nil && there[id.UUID] {
			out = append(out, p)
		}
	}
	return out, nil
}
