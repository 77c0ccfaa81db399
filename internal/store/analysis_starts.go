package store

import (
	"fmt"
	"sync/atomic"

	"basecourse/internal/exposure"
)

// startPieces share out the pages of first_layers.
type startPieces struct {
	pages int64
	taken atomic.Int64
	read  []startPiece
}

// startPiece is what was read of one, in the order it lies in.
type startPiece struct {
	starts []exposure.Start
	labels []StartLabel
	void   []bool // beside them, of what changed: they count no more
}

// next gives the next piece and its pages as a condition; nil when all are taken.
// The last one has no upper end.
func (p *startPieces) next() (piece *startPiece, where string) {
	n, k := int64(len(p.read)), p.taken.Add(1)-1
	if k >= n {
		return nil, ""
	}
	if from := p.pages * k / n; from > 0 {
		where += fmt.Sprintf(" AND ctid >= '(%d,0)'", from)
	}
	if k+1 < n {
		where += fmt.Sprintf(" AND ctid < '(%d,0)'", p.pages*(k+1)/n)
	}
	// No row takes less than a hundred bytes of its page: room for all of them
	// costs address space only.
	room := 81 * (p.pages*(k+1)/n - p.pages*k/n + 1)
	p.read[k] = startPiece{starts: make([]exposure.Start, 0, room), labels: make([]StartLabel, 0, room)}
	return &p.read[k], where
}

// join puts the pieces together in the order they lie in.
func (p *startPieces) join(rows *analysisRows) {
	n := 0
	for i := range p.read {
		n += len(p.read[i].starts)
	}
	rows.h.Starts, rows.labels = make([]exposure.Start, 0, n), make([]StartLabel, 0, n)
	for i := range p.read {
		rows.h.Starts = append(rows.h.Starts, p.read[i].starts...)
		rows.labels = append(rows.labels, p.read[i].labels...)
		p.read[i] = startPiece{}
	}
}

const startsColumns = `id, started_at, graded_at, printer, plate, grader, material, grade, underside, start_is, plate_side, plate_turned, probed, marks,
	CASE WHEN look_drawn = 'no' THEN 'n' WHEN look_drawn IS NOT NULL THEN 'l' WHEN look_chance > 0 AND looked_because IN ('lot', 'risk') THEN 's' END`

// readStarts reads pieces until none is left.
func (r *part) readStarts(pieces *startPieces) error {
	for {
		piece, where := pieces.next()
		if piece == nil {
			return nil
		}
		if err := r.readPiece(piece, where); err != nil {
			return err
		}
	}
}

func (r *part) readPiece(piece *startPiece, where string) error {
	return r.copyOut(r.from(listStarts, startsColumns, where), func(row *copyRow) error {
		s := exposure.Start{Plate: exposure.None}
		l := StartLabel{Material: -1, Grader: -1}
		copy(s.ID[:], row.next())
		s.At = row.time()
		gradedAt := row.next()
		printer, plate, grader, material := row.next(), row.next(), row.next(), row.next()
		grade, underside, startIs := row.next(), row.next(), row.next()
		side, turned, probed, marks, look := row.next(), row.next(), row.next(), row.next(), row.next()
		void := r.void(listStarts, row)
		if row.bad || len(printer) != 4 {
			return errCopyRow
		}
		r.saw(s.At)
		if r.unfilled != nil {
			for _, field := range r.unfilled[s.ID] {
				switch field {
				case "graded_at":
					gradedAt = nil
				case "plate":
					plate = nil
				case "grader":
					grader = nil
				case "material":
					material = nil
				case "grade":
					grade = nil
				case "underside":
					underside = nil
				case "start_is":
					startIs = nil
				case "plate_side":
					side = nil
				case "plate_turned":
					turned = nil
				case "probed":
					probed = nil
				case "marks":
					marks = nil
				case "look_drawn", "look_chance", "looked_because":
					look = nil
				}
			}
		}
		var err error
		if s.Printer, err = r.printers.of(int4(printer)); err != nil {
			return err
		}
		if plate != nil {
			if s.Plate, err = r.plates.of(int4(plate)); err != nil {
				return err
			}
		}
		if material != nil {
			l.Material = int4(material)
		}
		switch string(look) {
		case "l":
			l.Look = LookListed
		case "n":
			l.Look = LookLeft
		case "s":
			l.Look = LookSaid
		}
		s.Sent = string(startIs) == "sent"
		s.Side, s.Turned, s.Probed = exposure.ParseSide(string(side)), exposure.ParseTri(string(turned)), exposure.ParseTri(string(probed))
		if gradedAt != nil {
			s.GradedAt = int8Micros(gradedAt)
			r.saw(s.GradedAt)
		}
		if grade != nil {
			l.Graded = true
			s.Failed = grade[0] == 'f' || grade[0] == 'm' && string(underside) == "shown"
			if grader != nil {
				l.Grader = int4(grader)
			}
			l.see(marks)
		}
		piece.starts = append(piece.starts, s)
		piece.labels = append(piece.labels, l)
		if r.since != nil {
			piece.void = append(piece.void, void)
		}
		return nil
	})
}
