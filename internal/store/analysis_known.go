package store

import (
	"cmp"
	"slices"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/intake"

	"github.com/jackc/pgx/v5"
)

// readThings reads printers, plates, names of materials and settings, and the version.
func (r *analysisReader) readThings() error {
	if err := r.tx.QueryRow(r.ctx, dataVersionSQL).Scan(&r.a.Version.last, &r.a.Version.lot); err != nil {
		return err
	}
	u := undone{}
	if !r.knownAt.IsZero() {
		var err error
		if u, err = r.laterChanges(); err != nil {
			return err
		}
	}
	printers, err := r.readKind(farm.KindPrinter, `SELECT id, printer, in_service_from, retired_at, probing_recorded = 'all' FROM printers`, u)
	if err != nil {
		return err
	}
	plates, err := r.readKind(farm.KindPlate, `SELECT id, plate, in_service_from, retired_at, true FROM plates`, u)
	if err != nil {
		return err
	}
	h := &r.a.History
	r.a.Printers, r.printers = numbered(printers)
	r.a.Plates, r.plates = numbered(plates)
	h.Plates = len(r.a.Plates)
	h.RecordsAll = make([]bool, len(r.a.Printers))
	for i := range r.a.Printers {
		h.RecordsAll[i] = r.a.Printers[i].all
	}
	rows, err := r.tx.Query(r.ctx, `SELECT key, value FROM settings`)
	if err != nil {
		return err
	}
	r.a.Settings = farm.SettingValues{}
	var key, value string
	if _, err := pgx.ForEachRow(rows, []any{&key, &value}, func() error {
		c := u[thingName{string(farm.KindSetting), key}]
		if was, ok := c["value"]; ok {
			value = was
		}
		if !created(c, "key") && value != "" {
			r.a.Settings[key] = value
		}
		return nil
	}); err != nil {
		return err
	}
	if rows, err = r.tx.Query(r.ctx, `SELECT id, material FROM materials`); err != nil {
		return err
	}
	r.materialNames = map[int32]string{}
	var id int32
	if _, err := pgx.ForEachRow(rows, []any{&id, &value}, func() error {
		r.materialNames[id] = value
		return nil
	}); err != nil {
		return err
	}
	h.StartWindow = int64(r.a.Settings.Number("start_window_minutes") * 60e6)
	return nil
}

type numberedThing struct {
	id int32
	AnalysisThing
}

func (r *analysisReader) readKind(kind farm.Kind, query string, u undone) ([]numberedThing, error) {
	rows, err := r.tx.Query(r.ctx, query)
	if err != nil {
		return nil, err
	}
	var list []numberedThing
	var t numberedThing
	var from, retired *time.Time
	_, err = pgx.ForEachRow(rows, []any{&t.id, &t.Tag, &from, &retired, &t.all}, func() error {
		one := t
		if from != nil {
			one.InServiceFrom = from.UTC()
		}
		if retired != nil {
			one.RetiredAt = retired.UTC()
		}
		c := u[thingName{string(kind), t.Tag}]
		one.later = created(c, string(kind))
		for field, to := range map[string]*time.Time{"in_service_from": &one.InServiceFrom, "retired_at": &one.RetiredAt} {
			if was, ok := c[field]; ok {
				*to, _ = intake.ParseTime(was) // "" was nothing
			}
		}
		if was, ok := c["probing_recorded"]; ok {
			one.all = was == "" || was == "all"
		}
		list = append(list, one)
		return nil
	})
	return list, err
}

// numbered puts things in the order of their tags.
func numbered(list []numberedThing) ([]AnalysisThing, numbering) {
	slices.SortFunc(list, func(a, b numberedThing) int { return cmp.Compare(a.Tag, b.Tag) })
	highest := int32(-1)
	for _, t := range list {
		highest = max(highest, t.id)
	}
	n := make(numbering, highest+1)
	for i := range n {
		n[i] = -1
	}
	things := make([]AnalysisThing, len(list))
	for i, t := range list {
		things[i], n[t.id] = t.AnalysisThing, int32(i)
	}
	return things, n
}

type thingName struct{ kind, name string }

// undone is what the fields of things were before what arrived later; "" is
// nothing.
type undone map[thingName]map[string]string

// created tells whether a thing itself arrived later: its own name was nothing.
func created(fields map[string]string, nameField string) bool {
	was, ok := fields[nameField]
	return ok && was == ""
}

// laterChanges finds the changes to printers, plates and settings that arrived
// after the time known. An act that brought records which had arrived by then
// restored what was known then, so its changes stay; so they do where the farm
// has no act that early, because then there is nothing to go back to.
func (r *analysisReader) laterChanges() (undone, error) {
	rows, err := r.tx.Query(r.ctx, `
WITH later AS MATERIALIZED (
	SELECT a.id FROM acts a
	WHERE a.at > $1 AND EXISTS (SELECT FROM changes c WHERE c.act = a.id AND c.thing IS NOT NULL AND c.kind IN ('printer', 'plate', 'setting'))
), restored AS MATERIALIZED (
	SELECT DISTINCT r.act AS id FROM records r WHERE r.arrived_at <= $1 AND r.act IN (SELECT id FROM later)
)
SELECT c.kind, c.thing, c.field, coalesce(c.was, '')
FROM changes c
WHERE c.thing IS NOT NULL AND c.kind IN ('printer', 'plate', 'setting')
	AND c.act IN (SELECT id FROM later EXCEPT SELECT id FROM restored)
	AND (EXISTS (SELECT FROM restored) OR EXISTS (SELECT FROM acts WHERE at <= $1))
ORDER BY c.id DESC`, r.knownAt)
	if err != nil {
		return nil, err
	}
	u := undone{}
	var kind, thing, field, was string
	_, err = pgx.ForEachRow(rows, []any{&kind, &thing, &field, &was}, func() error {
		name := thingName{kind, thing}
		if u[name] == nil {
			u[name] = map[string]string{}
		}
		u[name][field] = was // the earliest change comes last
		return nil
	})
	return u, err
}

// leaveLater drops the things that became known later, unless a record known
// by then names them.
func (r *analysisReader) leaveLater() {
	h := &r.a.History
	isLater := func(t AnalysisThing) bool { return t.later }
	if !slices.ContainsFunc(r.a.Printers, isLater) && !slices.ContainsFunc(r.a.Plates, isLater) {
		return
	}
	var printers, plates []*int32
	for i := range h.Starts {
		printers, plates = append(printers, &h.Starts[i].Printer), append(plates, &h.Starts[i].Plate)
	}
	for i := range h.Probes {
		printers, plates = append(printers, &h.Probes[i].Printer), append(plates, &h.Probes[i].Plate)
	}
	for i := range h.Fittings {
		printers, plates = append(printers, &h.Fittings[i].Printer), append(plates, &h.Fittings[i].Plate)
	}
	for i := range h.Skips {
		printers = append(printers, &h.Skips[i].Printer)
	}
	for i := range h.Services {
		printers = append(printers, &h.Services[i].Printer)
	}
	for i := range h.Cleanings {
		plates = append(plates, &h.Cleanings[i].Plate)
	}
	r.a.Printers = keepNamed(r.a.Printers, printers)
	r.a.Plates = keepNamed(r.a.Plates, plates)
	h.Plates = len(r.a.Plates)
	h.RecordsAll = h.RecordsAll[:0]
	for i := range r.a.Printers {
		h.RecordsAll = append(h.RecordsAll, r.a.Printers[i].all)
	}
}

// keepNamed drops later things that no index names and moves the indexes.
func keepNamed(things []AnalysisThing, named []*int32) []AnalysisThing {
	for _, i := range named {
		if *i >= 0 {
			things[*i].later = false
		}
	}
	moved := make([]int32, len(things))
	var kept []AnalysisThing
	for i, t := range things {
		moved[i] = int32(len(kept))
		if !t.later {
			kept = append(kept, t)
		}
	}
	for _, i := range named {
		if *i >= 0 {
			*i = moved[*i]
		}
	}
	return kept
}

// readUnfilled finds the fields of records that were filled after the time
// known: they were empty then.
func (r *analysisReader) readUnfilled() error {
	rows, err := r.tx.Query(r.ctx, `
SELECT c.record, c.field FROM changes c JOIN acts a ON a.id = c.act
WHERE a.at > $1 AND c.record IS NOT NULL AND c.kind IN ('first_layer', 'fitting')`, r.knownAt)
	if err != nil {
		return err
	}
	r.unfilled = map[[16]byte][]string{}
	var id [16]byte
	var field string
	_, err = pgx.ForEachRow(rows, []any{&id, &field}, func() error {
		r.unfilled[id] = append(r.unfilled[id], field)
		return nil
	})
	return err
}
