package web

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"net/http"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/views"

	ics "github.com/arran4/golang-ical"
	"github.com/labstack/echo/v4"
)

// calendarKeyLength is that of 160 random bits in tokenText.
const calendarKeyLength = 32

// getCalendar is the crew's calendar (RFC 5545). Its key is the only thing that
// opens it: a session adds nothing, and the key opens nothing else.
func (s *Server) getCalendar() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "key"); err != nil {
			return err
		}
		h := c.Response().Header()
		h.Set("Referrer-Policy", "no-referrer")
		ctx, key := c.Request().Context(), c.QueryParam("key")
		reader, err := s.store.CalendarByHash(ctx, sha256.Sum256([]byte(key)))
		if len(key) != calendarKeyLength || fault.Is(err, fault.NotFound) {
			wait, err := s.store.CountWrongCalendar(ctx, c.RealIP())
			if err != nil {
				return err
			}
			if wait > 0 {
				return tooMany(c, wait)
			}
			// In plain words, not on a page, which would hold the address it was reached by.
			return c.String(http.StatusNotFound, "This calendar address opens nothing. Make a new one on the page Your sign-in.\n")
		}
		if err != nil {
			return err
		}
		plan, _, err := s.planNow(ctx)
		if err != nil {
			return err
		}
		bays, err := s.store.Bays(ctx, s.now(), false)
		if err != nil {
			return err
		}
		all := roleRank(reader.Role) >= roleRank(roleManager)
		body := calendarOf(plan, bays.Printers, reader.Handle, all, s.publicAddress(c)+"/jobs/plan")
		h.Set("Cache-Control", "private, no-cache")
		tag := `"` + shortDigest(body) + `"`
		h.Set("ETag", tag)
		if hasTag(c.Request().Header.Values("If-None-Match"), tag) {
			return c.NoContent(http.StatusNotModified)
		}
		h.Set(echo.HeaderContentDisposition, `inline; filename="upkeep.ics"`)
		return c.Blob(http.StatusOK, "text/calendar; charset=utf-8", []byte(body))
	}
}

func shortDigest(s string) string {
	sum := sha256.Sum256([]byte(s))
	return hex.EncodeToString(sum[:16])
}

// calendarWords are the tasks as sentences about a printer and its plate.
var calendarWords = map[string]string{"swap_plate": "Put PLATE on PRINTER", "wipe": "Wipe PLATE on PRINTER", "wash": "Wash PLATE for PRINTER", "soak": "Soak PRINTER",
	"probe": "Probe PRINTER", "check": "Check PRINTER with a coupon"}

func taskWords(t *planTask) string {
	return strings.NewReplacer("PLATE", either(t.Plate, "the plate"), "PRINTER", t.Printer).Replace(calendarWords[t.Task])
}

// calendarOf writes the tasks of a plan as events: those of one person and those
// that anybody may do, or all. Times are UTC; a task keeps its UID when it moves.
func calendarOf(p jobPlan, bays map[string]string, handle string, all bool, link string) string {
	cal := ics.NewCalendar()
	cal.SetProductId("-//Basecourse//Prep plan//EN")
	cal.SetVersion("2.0")
	cal.SetCalscale("GREGORIAN")
	cal.SetXWRCalName("Basecourse upkeep")
	cal.SetDescription("Planned upkeep tasks")
	// All times are UTC and need no zone; a calendar without events needs a component.
	zone := cal.AddTimezone("Etc/UTC").AddStandard()
	zone.SetProperty(ics.ComponentPropertyDtStart, "19700101T000000")
	zone.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), "+0000")
	zone.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), "+0000")
	met := map[string]int{}
	for i := range p.Tasks {
		t := &p.Tasks[i]
		key := t.Key
		if key == "" {
			key = t.Printer
		}
		key += "/" + t.Task
		met[key]++
		if n := met[key]; n > 1 {
			key += "/" + strconv.Itoa(n)
		}
		if !all && t.Person != "" && t.Person != handle {
			continue
		}
		e := cal.AddEvent(shortDigest(key) + "@basecourse")
		stamp := t.Since
		if stamp.IsZero() {
			stamp = p.AsOf
		}
		e.SetDtStampTime(stamp)
		e.SetSequence(t.Sequence)
		e.SetStartAt(t.At)
		e.SetEndAt(maxTime(t.End, t.At.Add(time.Minute)))
		what := taskWords(t)
		if all {
			what = either(t.Person, "Anyone") + ": " + what
		}
		e.SetSummary(what)
		words := []string{sentence(t.Because)}
		if t.Task == "wipe" || t.Task == "wash" || t.Task == "deep" {
			words = append(words, "Plate cold, room ventilated, away from printers.")
		} else {
			words = append(words, "Mind hot and moving parts.")
		}
		e.SetDescription(strings.Join(append(words, "The maker's instructions and local rules come first.", link), "\n"))
		if bay := bays[t.Printer]; bay != "" {
			e.SetLocation(bay)
		}
	}
	return cal.Serialize(ics.WithNewLineWindows)
}

func maxTime(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// accountCalendar says whether somebody has a calendar address.
func (s *Server) accountCalendar(c echo.Context, who Identity, p *views.AccountPage) error {
	ctx := c.Request().Context()
	made, err := s.store.CalendarMade(ctx, who.Person)
	if err != nil {
		return err
	}
	p.Calendar = views.AccountCalendar{Make: s.url("/account/calendar"), All: who.anyPerson()}
	if !made.IsZero() {
		frame, err := s.store.Frame(ctx, s.now())
		if err != nil {
			return err
		}
		p.Calendar.Made, p.Calendar.Off = clock(made, frame.Settings.Zone()), s.url("/account/calendar/off")
	}
	return nil
}

// postCalendar makes a calendar address and shows it this once; only its hash is
// kept.
func (s *Server) postCalendar() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		var raw [20]byte // 160 bits
		if _, err := rand.Read(raw[:]); err != nil {
			return err
		}
		key := tokenText.EncodeToString(raw[:])
		if err := s.store.SetCalendarKey(c.Request().Context(), pageAct(c), who.Handle, sha256.Sum256([]byte(key))); err != nil {
			return err
		}
		p, err := s.accountPage(c, who)
		if err != nil {
			return err
		}
		p.Calendar.Address = s.publicAddress(c) + "/upkeep.ics?key=" + key
		return render(c, http.StatusOK, views.Account(p))
	}
}

func (s *Server) postCalendarOff() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		if _, err := readForm(c); err != nil {
			return err
		}
		err = s.store.EndCalendarKey(c.Request().Context(), pageAct(c), who.Handle)
		if err != nil && !fault.Is(err, fault.NotFound) {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account?saved=calendar-off"))
	}
}
