package web

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"time"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// Pages that the service worker keeps. They hold no records and nobody's name,
// so that whoever signs out leaves none in them.
const (
	awayPage  = "/offline"
	queuePage = "/queue"
)

// shellFiles are the files those pages need, by plain name.
var shellFiles = []string{"app.css", "app.js", "idb.js", "outbox.js", "records.js", "away.js", "queue.js", "grade.js", "photos.js", "icon.svg"}

// offlineShell tells a page's scripts what work without network goes by.
func (s *Server) offlineShell(c echo.Context, sh *views.Shell) {
	sh.Base, sh.Queue = s.base, s.url(queuePage)
	sh.IDB, sh.Outbox, sh.Records = s.asset("idb.js"), s.asset("outbox.js"), s.asset("records.js")
	if who := identity(c); who.Person != 0 {
		sh.Me, sh.SendAll = who.Handle, who.sendsAll()
	}
	if s.plainOverNetwork(c.Request()) {
		sh.Trust = s.url("/trust")
	}
}

// sendsAll tells whether the sender may deliver what others recorded on the same
// device: a tablet that people share, or somebody who may record for others.
func (i Identity) sendsAll() bool { return i.anyPerson() || i.Tablet != 0 }

// plainOverNetwork tells whether a request came by plain http from another
// machine, as far as can be told: browsers then offer neither service workers nor
// locks, and nothing can be kept.
func (s *Server) plainOverNetwork(r *http.Request) bool {
	if s.secure || r.TLS != nil {
		return false
	}
	if peer, _, err := net.SplitHostPort(r.RemoteAddr); err == nil && s.trusted(peer) && strings.EqualFold(r.Header.Get("X-Forwarded-Proto"), "https") {
		return false
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	if host == "localhost" || strings.HasSuffix(host, ".localhost") {
		return false
	}
	a, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err != nil || !a.IsLoopback()
}

// makeWorker puts what it keeps before the service worker. The version follows
// from all of that and the pages, so that a changed page makes a new one.
func (s *Server) makeWorker() error {
	shell := views.Shell{CSS: s.asset("app.css"), JS: s.asset("app.js")}
	sum := sha256.New()
	sum.Write(s.assets.Worker)
	if err := views.Away(s.awayPage(shell)).Render(context.Background(), sum); err != nil {
		return err
	}
	if err := views.Queue(s.queuePage(shell)).Render(context.Background(), sum); err != nil {
		return err
	}
	about := struct {
		Base    string   `json:"base"`
		Version string   `json:"version"`
		Files   []string `json:"files"`
		Pages   []string `json:"pages"`
		Away    string   `json:"away"`
		Forms   []string `json:"forms"`
		IDB     string   `json:"idbFile"`
	}{Base: s.base, Pages: []string{s.url(awayPage), s.url(queuePage)}, Away: s.url(awayPage), IDB: s.asset("idb.js")}
	for _, f := range shellFiles {
		if s.assets.Name(f) == "" {
			return fmt.Errorf("web.makeWorker: there is no file %s", f)
		}
		about.Files = append(about.Files, s.asset(f))
		sum.Write([]byte(s.asset(f)))
	}
	for _, a := range awayActs {
		about.Forms = append(about.Forms, s.url("/upkeep/"+a.slug))
	}
	about.Version = hex.EncodeToString(sum.Sum(nil)[:6])
	head, err := json.Marshal(about)
	if err != nil {
		return err
	}
	s.worker = bytes.Join([][]byte{[]byte("const SHELL = "), head, []byte(";\n"), s.assets.Worker}, nil)
	return nil
}

// getWorker serves the service worker. It is asked for anew each time, so that a
// new version takes over.
func (s *Server) getWorker() echo.HandlerFunc {
	return func(c echo.Context) error {
		c.Response().Header().Set("Cache-Control", "no-cache")
		c.Response().Header().Set(echo.HeaderContentType, "text/javascript; charset=utf-8")
		return writeBody(c, http.StatusOK, s.worker)
	}
}

// getAway serves the page that stands in for others where there is no network.
func (s *Server) getAway() echo.HandlerFunc {
	return func(c echo.Context) error {
		return render(c, http.StatusOK, views.Away(s.awayPage(s.shell(c, "Without network", ""))))
	}
}

// getQueue serves the list of what waits on this device; the device fills it.
func (s *Server) getQueue() echo.HandlerFunc {
	return func(c echo.Context) error {
		return render(c, http.StatusOK, views.Queue(s.queuePage(s.shell(c, "Kept on this device", ""))))
	}
}

// offlineNav are the forms that work without network.
func (s *Server) offlineNav() []views.NavItem {
	return []views.NavItem{
		{Word: "Grade", Href: s.url("/grade"), Sign: "grade"}, {Word: "Clean", Href: s.url("/upkeep/clean"), Sign: "upkeep"}, {Word: "Probe", Href: s.url("/upkeep/probe"), Sign: "diamond"},
		{Word: "Swap", Href: s.url("/upkeep/fit"), Sign: "swap"}, {Word: "Hold", Href: s.url("/upkeep/hold"), Sign: "hexagon"},
	}
}

func (s *Server) queuePage(sh views.Shell) views.QueuePage {
	sh.Title, sh.Nav = "Kept on this device", s.offlineNav()
	return views.QueuePage{Shell: sh, Script: s.asset("queue.js"), SignIn: s.url("/sign-in?next=" + queuePage)}
}

// getMe says who is signed in, for the outbox.
func (s *Server) getMe() echo.HandlerFunc {
	return func(c echo.Context) error {
		who := identity(c)
		return writeJSON(c, http.StatusOK, map[string]any{"handle": who.Handle, "all": who.sendsAll()})
	}
}

// What the snapshot for work without network holds: what its forms need to know.
type awayFarm struct {
	AsOf      time.Time     `json:"as_of"`
	Zone      string        `json:"zone"`
	Me        string        `json:"me"`
	Shared    bool          `json:"shared"` // a tablet that people share
	People    []string      `json:"people"` // who may be chosen; empty: nobody but oneself
	Printers  []awayPrinter `json:"printers"`
	Plates    []awayPlate   `json:"plates"`
	Starts    []awayRecord  `json:"starts"` // that wait to be graded, newest first
	Holds     []awayRecord  `json:"holds"`  // in force
	Policies  []string      `json:"policies"`
	Materials []string      `json:"materials"`
	Jobs      []string      `json:"jobs"`
}

type awayPrinter struct {
	Tag    string     `json:"tag"`
	Check  string     `json:"check"` // letter behind the tag
	Bay    string     `json:"bay,omitempty"`
	Cols   int        `json:"cols"`
	Rows   int        `json:"rows"`
	ZStep  float64    `json:"z"`
	Held   string     `json:"held,omitempty"`
	Plate  string     `json:"plate,omitempty"`
	Washed string     `json:"washed,omitempty"` // "wiped 3 prints ago"
	Drawn  []awayDraw `json:"drawn,omitempty"`  // by lot for its next start
}

type awayDraw struct {
	Arm   string    `json:"arm"`
	Says  string    `json:"says"`
	Until time.Time `json:"until"` // it waits no longer
}

type awayPlate struct {
	Tag     string `json:"tag"`
	Check   string `json:"check"`
	Printer string `json:"printer,omitempty"`
	Side    string `json:"side,omitempty"`
	Turned  string `json:"turned,omitempty"`
	State   string `json:"state"`
	Held    string `json:"held,omitempty"`
}

// awayRecord is a record with its fields as text.
type awayRecord struct {
	ID     string            `json:"id"`
	Fields map[string]string `json:"fields"`
}

// Limits of the snapshot; what is beyond is typed.
const (
	awayStarts = 1000
	awayNames  = 300
)

// getAwayFarm gives the snapshot. It is of the version of the data its tag names,
// so that a device asks again at no cost.
func (s *Server) getAwayFarm() echo.HandlerFunc {
	return func(c echo.Context) error {
		ctx, now, who := c.Request().Context(), s.now(), identity(c)
		frame, err := s.store.Frame(ctx, now)
		if err != nil {
			return err
		}
		tag := `"` + frame.Version.String() + "-" + now.UTC().Format("2006010215") + `"` // starts grow too old to be graded
		c.Response().Header().Set("ETag", tag)
		c.Response().Header().Set("Cache-Control", "private, no-cache")
		if c.Request().Header.Get("If-None-Match") == tag {
			return c.NoContent(http.StatusNotModified)
		}
		out := awayFarm{AsOf: now.UTC(), Zone: frame.Settings.Zone().String(), Me: who.Handle, Shared: who.Tablet != 0,
			People: []string{}, Printers: []awayPrinter{}, Plates: []awayPlate{}, Starts: []awayRecord{}, Holds: []awayRecord{}, Policies: []string{}}
		for _, fill := range []func(context.Context, *awayFarm, store.Frame, time.Time) error{s.awayThings, s.awayRecords, s.awayWords} {
			if err := fill(ctx, &out, frame, now); err != nil {
				return err
			}
		}
		if who.anyPerson() {
			people, err := s.store.Crew(ctx, who.Handle)
			if err != nil {
				return err
			}
			for _, p := range people {
				out.People = append(out.People, p.Handle)
			}
		} else if who.Tablet != 0 {
			people, err := s.store.PinHolders(ctx)
			if err != nil {
				return err
			}
			for _, p := range people {
				out.People = append(out.People, p.Handle)
			}
		}
		return writeJSON(c, http.StatusOK, out)
	}
}

func (s *Server) awayThings(ctx context.Context, out *awayFarm, frame store.Frame, now time.Time) error {
	a := s.asks(frame, now)
	r, err := s.farmFloor(ctx, a)
	if err != nil {
		return err
	}
	floor := r.value
	drawn, err := s.farmDrawn(ctx, a, floor)
	if err != nil {
		return err
	}
	on := make(map[string]*store.FloorPrinter, len(floor))
	for i := range floor {
		on[floor[i].Printer] = &floor[i]
	}
	printers, err := s.store.Printers(ctx, "", 20_000)
	if err != nil {
		return err
	}
	for _, p := range printers {
		if !p.RetiredAt.IsZero() && !p.RetiredAt.After(now) {
			continue
		}
		x := awayPrinter{Tag: p.Tag, Check: farm.CheckLetter(p.Tag), Bay: p.Bay, Cols: p.ZoneCols, Rows: p.ZoneRows, ZStep: orDefault(p.ZStepMM, farm.DefaultZStepMM)}
		if f := on[p.Tag]; f != nil {
			x.Plate = f.Plate
			if f.Plate != "" && f.SinceClean != nil {
				x.Washed = cleanedWords(f.CleanMethod, *f.SinceClean)
			}
			if f.HeldAt != nil {
				x.Held = orNoRecord(f.HeldReason)
			}
			for _, d := range drawn[p.Tag] {
				if d.Href == "" {
					continue // what is due stands before the standing lot, and is not known there
				}
				x.Drawn = append(x.Drawn, awayDraw{d.arm, d.Says, d.until.UTC()})
			}
		}
		out.Printers = append(out.Printers, x)
	}
	a.window = 0
	spots, err := s.spots.read(ctx, a, s.store.Spots)
	if err != nil {
		return err
	}
	for i := range spots.value {
		p := &spots.value[i]
		if p.Retired {
			continue
		}
		x := awayPlate{Tag: p.Plate, Check: farm.CheckLetter(p.Plate), Printer: p.Printer, Side: p.Side, Turned: p.Turned, State: p.State}
		if p.HeldAt != nil {
			x.Held = orNoRecord(p.HeldReason)
		}
		out.Plates = append(out.Plates, x)
	}
	return nil
}

func (s *Server) awayRecords(ctx context.Context, out *awayFarm, _ store.Frame, now time.Time) error {
	starts, err := s.store.WaitingLayers(ctx, now.Add(-gradeWithin), now, awayStarts)
	if err != nil {
		return err
	}
	for _, f := range starts {
		fields := recordTexts(f)
		fields["printer"] = f.Printer
		out.Starts = append(out.Starts, awayRecord{f.ID.UUID.String(), fields})
	}
	holds, err := s.store.OpenHolds(ctx, now)
	if err != nil {
		return err
	}
	for _, h := range holds {
		out.Holds = append(out.Holds, awayRecord{h.ID.UUID.String(), map[string]string{"subject_kind": h.SubjectKind, "subject": h.Subject, "placed_at": stamp(h.PlacedAt), "reason": h.Reason, "person": h.Person}})
	}
	return nil
}

func (s *Server) awayWords(ctx context.Context, out *awayFarm, _ store.Frame, now time.Time) error {
	list, err := s.store.Policies(ctx, time.Time{})
	if err != nil {
		return err
	}
	for _, l := range linesOf(list) {
		if v := l.at(now); v != nil && v.Ended == "" {
			x := assess.PolicyOf(v)
			out.Policies = append(out.Policies, l.name+", "+whereWords(&x.Scope)+": "+sentence(ruleWords(&x.Rules)))
		}
	}
	if out.Materials, err = s.store.ThingNames(ctx, farm.KindMaterial, now, awayNames); err != nil {
		return err
	}
	out.Jobs, err = s.store.ThingNames(ctx, farm.KindJob, now, awayNames)
	return err
}
