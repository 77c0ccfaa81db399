package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"io/fs"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/photo"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// PhotoSent tells whether a file with that SHA-256 was stored under a photo's id
// before: it need not be looked at again.
func (s *Store) PhotoSent(ctx context.Context, id uuid.UUID, sent [32]byte) (bool, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	var same bool
	err := s.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM photo_files WHERE photo = $1 AND sent = $2)`, id, sent[:]).Scan(&same)
	return same, wrap("store.PhotoSent", err)
}

// RecordPhoto stores a photo's record (its SHA256 is of p.JPEG) and its picture
// together. It is otherwise like Record.
func (s *Store) RecordPhoto(ctx context.Context, act Act, item intake.Item, p photo.Photo, sent [32]byte) (Result, error) {
	if item.Err != nil {
		return Result{}, item.Err
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	var result Result
	err := s.write(ctx, act, func(w *writer) error {
		w.notedNow = true
		var err error
		if result, err = w.one(ctx, item); err != nil || result.Outcome != Recorded {
			return err
		}
		_, err = w.tx.Exec(ctx, `INSERT INTO photo_files (photo, sent, image, thumb) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`, item.ID.UUID, sent[:], p.JPEG, p.Thumb)
		return err
	})
	if err != nil {
		return Result{ID: item.ID}, wrap("store.RecordPhoto", err)
	}
	return result, nil
}

// LayerPhoto is a photo as pages show it.
type LayerPhoto struct {
	ID      uuid.UUID
	Layer   uuid.UUID // the first layer it shows
	Printer string
	TakenAt time.Time
	Person  string
	Width   int
	Height  int
	Kept    bool // the picture is there still
}

// layerPhotos reads photos in force from the table under the alias h, with its
// printer's under p.
func (s *Store) layerPhotos(ctx context.Context, rest string, args ...any) ([]LayerPhoto, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	rows, err := s.pool.Query(ctx, `SELECT h.id, h.first_layer, p.printer, h.taken_at, coalesce((SELECT person FROM people WHERE id = h.person), ''), coalesce(h.width_px, 0)::int, coalesce(h.height_px, 0)::int,
			EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id)
		FROM photos h JOIN printers p ON p.id = h.printer WHERE h.voided_at IS NULL AND `+rest, args...)
	if err != nil {
		return nil, wrap("store.Photos", err)
	}
	list, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (p LayerPhoto, err error) {
		var layer string
		if err := r.Scan(&p.ID, &layer, &p.Printer, &p.TakenAt, &p.Person, &p.Width, &p.Height, &p.Kept); err != nil {
			return p, err
		}
		id, err := farm.NewID(farm.KindFirstLayer, layer)
		p.Layer = id.UUID
		return p, err
	})
	return list, wrap("store.Photos", err)
}

// PhotosOf lists the photos of a first layer, the earliest first.
func (s *Store) PhotosOf(ctx context.Context, f *farm.FirstLayer) ([]LayerPhoto, error) {
	return s.layerPhotos(ctx, `p.printer = $1 AND h.first_layer IN ($2, $3) ORDER BY h.taken_at, h.id LIMIT 20`, f.Printer, f.ID.UUID.String(), f.ID.Text())
}

// cleanAmong is how many of a printer's latest photos are looked through for one of
// a clean layer.
const cleanAmong = 200

// LastCleanPhoto gives the photo of the last clean layer of the same printer before
// one, among its latest photos; nil when there is none.
func (s *Store) LastCleanPhoto(ctx context.Context, f *farm.FirstLayer) (*LayerPhoto, error) {
	list, err := s.layerPhotos(ctx, `p.printer = $1 AND EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id) ORDER BY h.taken_at DESC, h.id LIMIT $2`, f.Printer, cleanAmong)
	if err != nil || len(list) == 0 {
		return nil, err
	}
	layers := make([]uuid.UUID, len(list))
	for i := range list {
		layers[i] = list[i].Layer
	}
	ctx, cancel := brief(ctx)
	defer cancel()
	// By record to its instant, by its instant to its row: first_layers has no index by id.
	var last uuid.UUID
	err = s.pool.QueryRow(ctx, `SELECT f.id FROM records r JOIN first_layers f ON f.printer = r.owner AND f.started_at = r.happened_at AND f.id = r.id
		WHERE r.id = ANY ($1) AND r.kind = 'first_layer' AND f.grade = 'clean' AND f.voided_at IS NULL AND f.started_at < $2 ORDER BY f.started_at DESC, f.id LIMIT 1`, layers, f.StartedAt).Scan(&last)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, wrap("store.LastCleanPhoto", err)
	}
	for i := range list {
		if list[i].Layer == last {
			return &list[i], nil
		}
	}
	return nil, nil
}

// PrinterPhotos lists the latest photos of a printer's layers.
func (s *Store) PrinterPhotos(ctx context.Context, tag string, limit int) ([]LayerPhoto, error) {
	return s.layerPhotos(ctx, `p.printer = $1 AND EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id) ORDER BY h.taken_at DESC, h.id LIMIT $2`, tag, limit)
}

// LatestPhotos lists the latest photos of all printers.
func (s *Store) LatestPhotos(ctx context.Context, limit int) ([]LayerPhoto, error) {
	return s.layerPhotos(ctx, `EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id) ORDER BY h.taken_at DESC, h.id LIMIT $1`, limit)
}

// Picture gives a photo's picture, or its thumbnail; NotFound when it was taken back
// or has gone.
func (s *Store) Picture(ctx context.Context, id uuid.UUID, thumb bool) ([]byte, error) {
	ctx, cancel := brief(ctx)
	defer cancel()
	column := "image"
	if thumb {
		column = "thumb"
	}
	var jpg []byte
	err := s.pool.QueryRow(ctx, `SELECT x.`+column+` FROM photo_files x JOIN photos h ON h.id = x.photo WHERE h.id = $1 AND h.voided_at IS NULL`, id).Scan(&jpg)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, fault.New(fault.NotFound, "there is no such photo, or it was removed")
	}
	return jpg, wrap("store.Picture", err)
}

// RemovePhoto voids a photo with a reason and takes its picture away for good.
func (s *Store) RemovePhoto(ctx context.Context, act Act, item intake.Item, id uuid.UUID) error {
	ctx, cancel := brief(ctx)
	defer cancel()
	return wrap("store.RemovePhoto", s.write(ctx, act, func(w *writer) error {
		if _, err := w.one(ctx, item); err != nil {
			return err
		}
		_, err := w.tx.Exec(ctx, `DELETE FROM photo_files WHERE photo = $1`, id)
		return err
	}))
}

// eachPicture hands on the pictures of all photos, by their record's order.
func eachPicture(ctx context.Context, tx pgx.Tx, one func(sha string, jpg []byte) error) error {
	rows, err := tx.Query(ctx, `SELECT h.sha256, x.image FROM photos h JOIN photo_files x ON x.photo = h.id ORDER BY h.taken_at, h.id`)
	if err != nil {
		return err
	}
	var sha string
	var jpg []byte
	_, err = pgx.ForEachRow(rows, []any{&sha, &jpg}, func() error { return one(sha, jpg) })
	return err
}

// pictures takes in the files of photos that are here without one. A file that is
// not what its record says is a problem; one that is missing was removed.
func (im *importer) pictures(ctx context.Context, source intake.Source) ([]fault.Problem, error) {
	from, ok := source.(intake.Pictures)
	if !ok || !im.listed[farm.KindPhoto] {
		return nil, nil
	}
	rows, err := im.tx.Query(ctx, `SELECT h.id, h.sha256 FROM photos h WHERE NOT EXISTS (SELECT FROM photo_files x WHERE x.photo = h.id) ORDER BY h.taken_at, h.id`)
	if err != nil {
		return nil, err
	}
	type missing struct {
		ID     uuid.UUID
		SHA256 string
	}
	list, err := pgx.CollectRows(rows, pgx.RowToStructByPos[missing])
	if err != nil {
		return nil, err
	}
	var problems []fault.Problem
	for _, m := range list {
		name := intake.PictureName(m.SHA256)
		file, err := from.Picture(m.SHA256)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, err
		}
		jpg, err := io.ReadAll(io.LimitReader(file, photo.LargestFile+1))
		_ = file.Close()
		if err != nil {
			return nil, err
		}
		if sum := sha256.Sum256(jpg); hex.EncodeToString(sum[:]) != m.SHA256 {
			problems = append(problems, fault.Problem{File: name, Found: "another file", Expected: "the picture with the SHA-256 of its name"})
			continue
		}
		p, err := photo.Thumb(jpg)
		if err != nil {
			problems = append(problems, fault.Problem{File: name, Found: "no picture that can be kept", Expected: "a JPEG"})
			continue
		}
		if _, err := im.tx.Exec(ctx, `INSERT INTO photo_files (photo, image, thumb) VALUES ($1, $2, $3)`, m.ID, bytes.Clone(p.JPEG), p.Thumb); err != nil {
			return nil, err
		}
	}
	return problems, nil
}
