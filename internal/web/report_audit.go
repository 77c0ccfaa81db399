package web

import (
	"archive/zip"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// Limits of an audit pack.
const (
	auditRows  = 100_000 // records of one kind, and lines of the trail
	auditShown = 200     // lines of the trail on the page
	auditPage  = 2000    // records read at a time
)

// auditQuery is what an audit pack is about.
type auditQuery struct {
	kind, tag string
	from, to  time.Time // from <= time < to
}

// values are the query as an address carries it: whole days of the farm's zone.
func (q *auditQuery) values(zone *time.Location) url.Values {
	return url.Values{"kind": {q.kind}, "tag": {q.tag}, "from": {q.from.In(zone).Format(time.DateOnly)}, "to": {q.to.Add(-time.Hour).In(zone).Format(time.DateOnly)}}
}

// readAudit reads what is asked; days are whole days of the farm's zone, both ends in
// it. Without days it is the last 84.
func readAudit(c echo.Context, zone *time.Location, end time.Time) (q auditQuery, problems map[string]string) {
	problems = map[string]string{}
	q.kind, q.tag = c.QueryParam("kind"), strings.TrimSpace(c.QueryParam("tag"))
	if q.kind == "" {
		q.kind = "printer"
	}
	if q.kind != "printer" && q.kind != "plate" {
		problems["kind"] = "Choose a printer or a plate."
	}
	day := func(name string, usual time.Time, more int) time.Time {
		text := c.QueryParam(name)
		if text == "" {
			text = usual.In(zone).Format(time.DateOnly)
		}
		t, err := time.Parse(time.DateOnly, text)
		if err != nil {
			problems[name] = "A day is written as 2026-03-09."
			return usual
		}
		return midnight(t.Year(), t.Month(), t.Day()+more, zone)
	}
	q.from, q.to = day("from", end.Add(-thingWindow), 0), day("to", end, 1)
	if len(problems) == 0 && !q.from.Before(q.to) {
		problems["to"] = "The last day must not be before the first."
	}
	return q, problems
}

// getAudit shows what an audit pack holds, and the form that asks for one.
func (s *Server) getAudit() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "kind", "tag", "from", "to"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		q, problems := readAudit(c, zone, windowEnd(frame, now))
		status := http.StatusOK
		var pack *auditPack
		if q.tag != "" && len(problems) == 0 {
			if pack, err = s.gatherAudit(ctx, q, zone); fault.Is(err, fault.NotFound) {
				problems["tag"], err = "There is no "+q.kind+" of this tag.", nil
			}
			if err != nil {
				return err
			}
		}
		if len(problems) > 0 {
			status = http.StatusUnprocessableEntity
		}
		shell := withClock(s.shell(c, "Audit pack", "/findings"), now, zone)
		p := views.ReportPage{Shell: shell, Lead: "All that was recorded about one printer or plate between two days, with who recorded and changed it, as files and for paper."}
		if pack != nil {
			p = pack.report.page(shell)
			p.Choices = []views.Link{{Word: "Download the pack", Href: s.url("/reports/audit/pack.zip") + "?" + q.values(zone).Encode()}}
		}
		p.Crumbs = []views.Link{{Word: "Reports", Href: s.url("/reports")}}
		v := q.values(zone)
		p.Form = &views.ReportForm{Action: s.url("/reports/audit"), Button: "Show", Fields: []views.ReportField{
			{Name: "kind", Word: "About a", Problem: problems["kind"], Options: []views.Option{{Value: "printer", Word: "printer", Chosen: q.kind != "plate"}, {Value: "plate", Word: "plate", Chosen: q.kind == "plate"}}},
			{Name: "tag", Word: "Tag", Hint: "for example P-014", Value: q.tag, Type: "text", Problem: problems["tag"]},
			{Name: "from", Word: "First day", Value: v.Get("from"), Type: "date", Problem: problems["from"]},
			{Name: "to", Word: "Last day", Value: v.Get("to"), Type: "date", Problem: problems["to"]}}}
		return render(c, status, views.Report(p))
	}
}

// getAuditPack gives it as a .zip.
func (s *Server) getAuditPack() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "kind", "tag", "from", "to"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		zone := frame.Settings.Zone()
		q, problems := readAudit(c, zone, windowEnd(frame, now))
		for _, name := range []string{"kind", "from", "to"} {
			if p := problems[name]; p != "" {
				return badRequest(fault.Problem{Column: name, Found: c.QueryParam(name), Expected: p})
			}
		}
		pack, err := s.gatherAudit(ctx, q, zone)
		if err != nil {
			return err
		}
		if pack.findings, err = s.cfg.Findings.Answer(ctx, minTime(q.to, now), time.Time{}, time.Time{}, time.Time{}); err != nil {
			return err
		}
		v := q.values(zone)
		return s.sendZip(c, "audit-"+q.tag+"-"+v.Get("from")+"-"+v.Get("to")+".zip", func(ctx context.Context, w io.Writer) error { return pack.write(ctx, w, now) })
	}
}

func minTime(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// auditPack is the pack in memory.
type auditPack struct {
	q        auditQuery
	report   *report
	files    []auditFile
	findings []byte
}

type auditFile struct {
	name string
	body []byte
}

// gatherAudit reads everything about the subject: every kind of event that names it,
// as the bundle has it, and what the trail says of each.
func (s *Server) gatherAudit(ctx context.Context, q auditQuery, zone *time.Location) (*auditPack, error) {
	if !farm.ValidKey(q.tag, 64) {
		return nil, fault.New(fault.NotFound, "There is no %s %s.", q.kind, fault.Quote(q.tag))
	}
	if _, err := s.store.ThingByTag(ctx, q.kind, q.tag); err != nil {
		return nil, err
	}
	v := q.values(zone)
	a := &auditPack{q: q, report: &report{code: "audit_pack", name: "audit-" + q.tag, from: q.from, to: q.to, title: "Audit pack: " + q.kind + " " + q.tag,
		lead: "All that was recorded about " + q.tag + " from " + v.Get("from") + " to " + v.Get("to") + ", voided records too.", sub: "Days and times are in the farm's zone; files have UTC."}}
	kinds := reportPart{id: "records", title: "Records", empty: "Nothing was recorded about it in these days.", columns: []reportColumn{{"kind", "Kind", false}, {"records", "Records", true}, {"voided", "Of them voided", true}, {"file", "File in the pack", false}}}
	var ids []uuid.UUID
	for _, t := range intake.Tables {
		printer, plate := store.Filters(t)
		if !t.Event || q.kind == "printer" && !printer || q.kind == "plate" && !plate {
			continue
		}
		file, n, voided, found, err := s.auditEvents(ctx, t, q)
		if err != nil {
			return nil, err
		}
		if n == 0 {
			continue
		}
		ids = append(ids, found...)
		a.files = append(a.files, auditFile{t.File, file})
		kinds.rows = append(kinds.rows, []reportCell{{text: wordForOr(historyWords, string(t.Kind), sentenceCase(strings.ReplaceAll(t.Name, "_", " "))), value: string(t.Kind)}, told(n), told(voided), inWords(t.File)})
	}
	trail, err := s.store.TrailOf(ctx, ids, auditRows)
	if err != nil {
		return nil, err
	}
	rows := [][]string{{"act", "at", "via", "person", "token", "device", "why", "kind", "record", "field", "was", "became"}}
	shown := reportPart{id: "trail", title: "The trail", empty: "The trail says nothing of these days.", columns: []reportColumn{{"at", "When it arrived", false}, {"who", "By", false}, {"what", "What", false}, {"change", "From, to", false}}}
	for _, l := range trail {
		rows = append(rows, []string{strconv.FormatInt(l.Act, 10), iso(l.At), l.Via, l.Person, l.Token, l.Device, l.Why, l.Kind, l.Record.String(), l.Field, l.Was, l.Became})
		if len(shown.rows) < auditShown {
			what, change := "stored", ""
			if l.Field != "" {
				what, change = l.Field, shortText(l.Was)+" → "+shortText(l.Became)
			}
			who := l.Person
			if who == "" {
				who = orCode(l.Token, l.Via)
			}
			shown.rows = append(shown.rows, []reportCell{when(l.At, zone), inWords(who), inWords(strings.ReplaceAll(l.Kind, "_", " ") + ": " + what), inWords(change)})
		}
	}
	if len(trail) > len(shown.rows) {
		shown.after = []string{counted(len(trail)-len(shown.rows), "further line stands", "further lines stand") + " in trail.csv of the pack."}
	}
	var buf bytes.Buffer
	w := csv.NewWriter(&buf)
	w.UseCRLF = true
	for _, row := range rows {
		for i := range row {
			row[i] = intake.SpreadsheetCell(row[i])
		}
		if err := w.Write(row); err != nil {
			return nil, err
		}
	}
	w.Flush()
	a.files = append(a.files, auditFile{"trail.csv", buf.Bytes()})
	a.report.parts = []reportPart{kinds, shown}
	return a, nil
}

func shortText(s string) string {
	if r := []rune(s); len(r) > 60 {
		return string(r[:59]) + "…"
	}
	return dashed(s)
}

func wordForOr(words map[string]string, code, other string) string {
	if w, ok := words[code]; ok {
		return w
	}
	return other
}

// auditEvents writes the events of a kind as a file of the bundle.
func (s *Server) auditEvents(ctx context.Context, t *intake.Table, q auditQuery) (file []byte, n, voided int, ids []uuid.UUID, err error) {
	f := store.EventFilter{Since: q.from, Until: q.to, Limit: auditPage}
	if q.kind == "plate" {
		f.Plate = q.tag
	} else {
		f.Printer = q.tag
	}
	for i := range t.Fields {
		if i > 0 {
			file = append(file, ',')
		}
		file = append(file, t.Fields[i].Name...)
	}
	file = append(file, "\r\n"...)
	voidedAt := t.Field("voided_at")
	for {
		list, err := s.store.Events(ctx, t.Kind, f)
		if err != nil {
			return nil, 0, 0, nil, err
		}
		for _, rec := range list {
			for i := range t.Fields {
				if i > 0 {
					file = append(file, ',')
				}
				file = intake.AppendCell(file, []byte(t.Fields[i].Text(rec)))
			}
			file = append(file, "\r\n"...)
			id, at := *t.Fields[0].At(rec).(*farm.ID), *t.Fields[t.When].At(rec).(*time.Time)
			ids = append(ids, id.UUID)
			f.After = store.Cursor{At: at, ID: id.UUID}
			if t.Fields[voidedAt].Text(rec) != "" {
				voided++
			}
			n++
		}
		if len(list) < f.Limit {
			return file, n, voided, ids, nil
		}
		if n >= auditRows {
			return nil, 0, 0, nil, fault.New(fault.Invalid, "More than %d records of one kind: choose fewer days.", auditRows)
		}
	}
}

// write writes the pack: the files of records, the trail, the findings as of its end,
// the page for paper and what is in it.
func (a *auditPack) write(ctx context.Context, w io.Writer, now time.Time) error {
	var page bytes.Buffer
	if err := views.Paper(a.report.page(views.Shell{})).Render(ctx, &page); err != nil {
		return err
	}
	figures, err := a.report.json()
	if err != nil {
		return err
	}
	files := append([]auditFile{{"page.html", page.Bytes()}, {"report.json", figures}, {"findings.json", a.findings}}, a.files...)
	type listed struct {
		File   string `json:"file"`
		Bytes  int    `json:"bytes"`
		SHA256 string `json:"sha256"`
	}
	contents := struct {
		Kind, Tag, From, To, MadeAt string
		Files                       []listed
	}{a.q.kind, a.q.tag, iso(a.q.from), iso(a.q.to), iso(now), nil}
	z := zip.NewWriter(w)
	put := func(name string, body []byte) error {
		f, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: now})
		if err == nil {
			_, err = f.Write(body)
		}
		return err
	}
	for _, f := range files {
		sum := sha256.Sum256(f.body)
		contents.Files = append(contents.Files, listed{f.name, len(f.body), hex.EncodeToString(sum[:])})
		if err := put(f.name, f.body); err != nil {
			return err
		}
	}
	list, err := json.MarshalIndent(contents, "", " ")
	if err != nil {
		return err
	}
	if err := put("contents.json", append(list, '\n')); err != nil {
		return err
	}
	return z.Close()
}
