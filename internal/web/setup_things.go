package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// listSize is how many rows stand on one page of a list of Setup.
const listSize = 100

// pageAct says that whoever is signed in does it on a page.
func pageAct(c echo.Context) store.Act {
	return identity(c).act("page")
}

// farmZone gives the farm's zone.
func (s *Server) farmZone(ctx context.Context) (*time.Location, error) {
	settings, err := s.store.Settings(ctx)
	return settings.Zone(), err
}

// pageNumber reads ?page=, from 1.
func pageNumber(c echo.Context) (int, error) {
	text := c.QueryParam("page")
	if text == "" {
		return 1, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > 100_000 {
		return 0, badRequest(fault.Problem{Column: "page", Found: text, Expected: "a page's number from 1"})
	}
	return n, nil
}

// listPager leads through a list by numbers.
func listPager(path, find string, page, shown, total, size int) views.Pager {
	link := func(n int) string {
		v := url.Values{}
		if find != "" {
			v.Set("find", find)
		}
		if n > 1 {
			v.Set("page", strconv.Itoa(n))
		}
		if len(v) == 0 {
			return path
		}
		return path + "?" + v.Encode()
	}
	p := views.Pager{Plain: true}
	if page > 1 {
		p.Newer = link(page - 1)
	}
	if (page-1)*size+shown < total {
		p.Older = link(page + 1)
	}
	return p
}

func (k *setupKind) list() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c, "find", "page"); err != nil {
				return err
			}
			page, err := pageNumber(c)
			if err != nil {
				return err
			}
			ctx, now, find := c.Request().Context(), s.now(), c.QueryParam("find")
			if len(find) > 256 {
				return badRequest(fault.Problem{Column: "find", Found: find, Expected: "a part of a name"})
			}
			zone, err := s.farmZone(ctx)
			if err != nil {
				return err
			}
			list, total, err := s.store.Things(ctx, k.kind, find, (page-1)*listSize, listSize)
			if err != nil {
				return err
			}
			here := s.url("/setup/" + k.path)
			p := views.SetupListPage{
				Shell: withClock(s.shell(c, sentenceCase(k.many), "/setup"), now, zone), Crumb: s.url("/setup"), Lead: k.lead, WhatIs: k.help,
				AddHref: s.url("/setup/" + k.add), AddWord: "Add a " + k.one, Find: find, FindTo: here, Label: sentenceCase(k.one) + ", by name",
				Pager: listPager(here, find, page, len(list), total, listSize),
			}
			switch {
			case k.kind == farm.KindInstrument:
				p.AddWord = "Add an instrument"
			case k.add == "":
				p.AddHref, p.AddWord = s.url("/setup/import"), "Look at a log"
			}
			if total == 0 {
				p.FindTo = ""
				p.Empty = "No " + k.many + " yet. " + p.AddWord + ", or import a bundle with " + k.table().File + "."
				if find != "" {
					p.FindTo, p.Empty = here, "No "+k.one+" has “"+find+"” in its name."
				}
				return render(c, http.StatusOK, views.SetupList(p))
			}
			p.Table = k.listTable(list, zone, now, here)
			p.Table.Caption, p.Table.Sub = sentenceCase(k.many), listSub(page, len(list), total)
			if k.kind == farm.KindPerson {
				if err := s.addAccounts(ctx, &p.Table, list); err != nil {
					return err
				}
			}
			return render(c, http.StatusOK, views.SetupList(p))
		}
	}
}

func listSub(page, shown, total int) string {
	if shown == total {
		return count(total) + " in all"
	}
	return fmt.Sprintf("%s to %s of %s", count((page-1)*listSize+1), count((page-1)*listSize+shown), count(total))
}

func (k *setupKind) listTable(list []any, zone *time.Location, now time.Time, here string) views.Table {
	t := k.table()
	out := views.Table{Columns: []views.Column{{Word: wordOf(k.kind, k.key()).Label}}}
	for i, name := range k.columns {
		w, f := wordOf(k.kind, name), &t.Fields[t.Field(name)]
		word := w.Label
		if w.Unit != "" {
			word += " (" + w.Unit + ")"
		}
		out.Columns = append(out.Columns, views.Column{Word: word, Number: f.Type == intake.Number || f.Type == intake.Whole, Wide: i > 0 && f.Type != intake.Time})
	}
	if k.ends != "" {
		out.Columns = append(out.Columns, views.Column{Word: "State"})
	}
	for _, rec := range list {
		name := k.nameOf(rec)
		row := views.Row{Cells: []views.Cell{{Text: name, Href: here + "/" + url.PathEscape(name)}}}
		for _, column := range k.columns {
			row.Cells = append(row.Cells, views.Cell{Text: shownValue(&t.Fields[t.Field(column)], rec, zone)})
		}
		if k.ends != "" {
			row.Cells = append(row.Cells, views.Cell{Text: k.stateWord(rec, now)})
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

// endedAt is since when a thing is no longer used; zero: it is.
func (k *setupKind) endedAt(rec any) time.Time {
	if k.ends == "" {
		return time.Time{}
	}
	t := k.table()
	return *t.Fields[t.Field(k.ends)].At(rec).(*time.Time)
}

func (k *setupKind) over(rec any, now time.Time) bool {
	at := k.endedAt(rec)
	return !at.IsZero() && !at.After(now)
}

func (k *setupKind) stateWord(rec any, now time.Time) string {
	if k.over(rec, now) {
		return k.ended.Word
	}
	switch k.kind {
	case farm.KindJob:
		return "Open"
	case farm.KindShift:
		return "–"
	}
	return "In use"
}

// shownValue is a field as people read it in a table.
func shownValue(f *intake.Field, rec any, zone *time.Location) string {
	if f.Empty(rec) {
		return "–"
	}
	if m, ok := rec.(*farm.LogMapping); ok && f.Name == "says" {
		return mappingWords(m)
	}
	switch f.Type {
	case intake.Code:
		return wordFor(codeWords[f.Name], f.Text(rec))
	case intake.Time:
		return clock(*f.At(rec).(*time.Time), zone)
	case intake.Number:
		return f.Text(rec)
	}
	return f.Text(rec)
}

func (k *setupKind) addPage() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c); err != nil {
				return err
			}
			zone, err := s.farmZone(c.Request().Context())
			if err != nil {
				return err
			}
			form := &thingForm{kind: k, zone: zone}
			return s.renderThing(c, http.StatusOK, form)
		}
	}
}

func (k *setupKind) postAdd() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			form, err := s.readThing(c, k, nil)
			if err != nil {
				return err
			}
			if len(form.problems) == 0 {
				err = s.store.SaveThings(c.Request().Context(), pageAct(c), k.kind, store.ThingEdit{After: form.after})
				if err == nil {
					return c.Redirect(http.StatusSeeOther, s.url("/setup/"+k.path+"/"+url.PathEscape(k.nameOf(form.after))+"?saved=added"))
				}
				if err := form.take(err); err != nil {
					return err
				}
			}
			return s.renderThing(c, http.StatusUnprocessableEntity, form)
		}
	}
}

func (k *setupKind) page() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			if err := onlyParams(c, "saved"); err != nil {
				return err
			}
			form, err := s.openSetup(c, k)
			if err != nil {
				return err
			}
			form.saved = savedWords[c.QueryParam("saved")]
			return s.renderThing(c, http.StatusOK, form)
		}
	}
}

// savedWords are said once after an act.
var savedWords = map[string]string{
	"yes": "Saved.", "added": "Added.", "password": "The password is set. They are signed out everywhere.", "sessions": "Signed out everywhere.", "factor": "The second factor is off.", "remove": "The time is set.", "keep": "The name stays.",
	"off": "Switched off. They may not sign in.", "on": "Switched on. They may sign in again.", "back": "The change is taken back.", "revoked": "Revoked.", "screws": "The screws are saved.", "pin": "The PIN is set. It counts on shared tablets.", "pin-off": "The PIN is taken away.", "unlinked": "The link with the sign-in provider is taken away.",
}

// openSetup reads the thing an address names.
func (s *Server) openSetup(c echo.Context, k *setupKind) (*thingForm, error) {
	name, err := tagParam(c, "tag")
	if err != nil {
		return nil, err
	}
	ctx := c.Request().Context()
	rec, err := s.store.Thing(ctx, k.kind, name)
	if err != nil {
		return nil, err
	}
	zone, err := s.farmZone(ctx)
	return &thingForm{kind: k, zone: zone, before: rec}, err
}

func (k *setupKind) post() func(*Server) echo.HandlerFunc {
	return func(s *Server) echo.HandlerFunc {
		return func(c echo.Context) error {
			form, err := s.openSetup(c, k)
			if err != nil {
				return err
			}
			current := form.before
			if form, err = s.readThing(c, k, current); err != nil {
				return err
			}
			ctx, act, saved := c.Request().Context(), pageAct(c), "yes"
			switch form.act {
			case "back":
				if err := s.takeBack(ctx, act, form, current); err != nil {
					return err
				}
				saved = "back"
			case "end", "again":
				t := k.table()
				form.after = copyOf(t, form.before)
				at := t.Fields[t.Field(k.ends)].At(form.after).(*time.Time)
				*at = time.Time{}
				if form.act == "end" {
					*at = s.store.Now()
				}
				form.problems = nil
			}
			if form.act != "back" && len(form.problems) == 0 {
				err := s.store.SaveThings(ctx, act, k.kind, store.ThingEdit{Before: form.before, After: form.after})
				if fault.Is(err, fault.Conflict) {
					if err := s.meanwhile(ctx, form, err); err != nil {
						return err
					}
				} else if err := form.take(err); err != nil {
					return err
				}
			}
			if len(form.problems) > 0 {
				return s.renderThing(c, http.StatusUnprocessableEntity, form)
			}
			s.logRole(c, form)
			return c.Redirect(http.StatusSeeOther, s.url("/setup/"+k.path+"/"+url.PathEscape(k.nameOf(current))+"?saved="+saved))
		}
	}
}

func copyOf(t *intake.Table, rec any) any {
	out := t.New()
	for i := range t.Fields {
		t.Fields[i].Copy(out, rec)
	}
	return out
}
