package web

import (
	"net/http"
	"strconv"

	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// noticesSize is how many lines stand on one page.
const noticesSize = 50

// unreadWord is the count in the top line; "" for none.
func unreadWord(n int) string {
	switch {
	case n == 0:
		return ""
	case n > 99:
		return "99+"
	}
	return strconv.Itoa(n)
}

func (s *Server) getNotices() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "before", "saved"); err != nil {
			return err
		}
		who, err := s.own(c)
		if err != nil {
			return err
		}
		before, err := noticeNumber("before", c.QueryParam("before"))
		if err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		list, err := s.store.PersonNotices(ctx, who.Person, before, noticesSize+1)
		if err != nil {
			return err
		}
		p := views.NoticesPage{Shell: withClock(s.shell(c, "Notices", ""), now, zone), Settings: s.url("/account/notices"),
			Lead: "A hold placed, a finding raised, a job at risk. Kept for 90 days.", Saved: map[string]string{"yes": "Marked read."}[c.QueryParam("saved")]}
		if before > 0 {
			p.Pager.First = s.url("/notices")
		}
		if len(list) > noticesSize {
			list = list[:noticesSize]
			p.Pager.Older = s.url("/notices?before=" + strconv.FormatInt(list[noticesSize-1].ID, 10))
		}
		line := func(x *store.NoticeLine) views.NoticeLine {
			return views.NoticeLine{Time: clock(x.At, zone), ISO: iso(x.At), Kind: x.Kind.Word(), Words: x.Words, Href: s.url(x.Path)}
		}
		for i := range list {
			x := &list[i]
			l := line(x)
			l.Unread, l.ID, l.Read = x.Unread, strconv.FormatInt(x.ID, 10), s.url("/notices/read")
			if len(x.More) > 0 {
				l.Words, l.Count = "", "and "+count(len(x.More)+x.Beyond)+" more in this shift"
				for j := range x.More {
					l.More = append(l.More, line(&x.More[j]))
				}
				if x.Beyond > 0 {
					l.Beyond = count(x.Beyond) + " more are not listed."
				}
			}
			p.Lines = append(p.Lines, l)
		}
		switch {
		case len(list) > 0 && who.Unread > 0:
			// What comes while the page is open stays unread.
			p.ReadAll, p.Through = s.url("/notices/read"), strconv.FormatInt(list[0].ID, 10)
		case len(list) == 0 && before > 0:
			p.Empty = "There is nothing older."
		case len(list) == 0:
			p.Empty = "Nothing yet. When a printer or plate is put on hold, a finding is raised or a job comes to be at risk, it is said here."
		}
		return render(c, http.StatusOK, views.Notices(p))
	}
}

func noticeNumber(name, text string) (int64, error) {
	if text == "" {
		return 0, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < 1 {
		return 0, badRequest(fault.Problem{Column: name, Found: text, Expected: "a notice's number"})
	}
	return n, nil
}

// postNoticesRead marks one line read, or all up to one.
func (s *Server) postNoticesRead() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "one", "through")
		if err != nil {
			return err
		}
		one, err := noticeNumber("one", sent["one"])
		if err != nil {
			return err
		}
		through, err := noticeNumber("through", sent["through"])
		if err != nil {
			return err
		}
		if (one == 0) == (through == 0) {
			return badRequest(fault.Problem{Column: "one", Found: "", Expected: "a notice's number, here or in through"})
		}
		if err := s.store.ReadNotices(c.Request().Context(), who.Person, max(one, through), one > 0); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/notices?saved=yes"))
	}
}

// wayOptions are the ways a kind of notice may take.
func wayOptions(now string) []views.Option {
	return []views.Option{{Value: "app", Word: "In the app", Chosen: now == "app"}, {Value: "mail", Word: "In the app and by mail", Chosen: now == "mail"}, {Value: "off", Word: "Not at all", Chosen: now == "off"}}
}

func (s *Server) mailReady() bool { return s.cfg.Notices != nil && s.cfg.Notices.MailReady() }

func (s *Server) noticeSettings(c echo.Context, status int, now store.NoticeSettings, typed, wrong string) error {
	zone, err := s.farmZone(c.Request().Context())
	if err != nil {
		return err
	}
	p := views.NoticeSettingsPage{Shell: withClock(s.shell(c, "What you are told", ""), s.now(), zone), Action: s.url("/account/notices"),
		Crumbs: []views.Fact{{Value: "Your sign-in", Href: s.url("/account")}, {Value: "Notices", Href: s.url("/notices")}},
		Saved:  map[string]string{"yes": "Saved.", "asked": "A mail is on its way. Open the link in it within two days.", "forgotten": "The address is forgotten. Nothing more is sent to it."}[c.QueryParam("saved")]}
	for _, x := range []struct{ name, label, hint, now string }{
		{"hold", notices.HoldPlaced.Word(), "A printer or a plate that nothing may be started on.", now.Hold},
		{"finding", notices.FindingRaised.Word(), "Failures that go with skipped probing or long cleaning gaps.", now.Finding},
		{"job", notices.JobAtRisk.Word(), "Late by the plan, or less sure of enough good ones than asked.", now.Job},
	} {
		p.Fields = append(p.Fields, views.Field{Name: x.name, Label: x.label, Kind: "select", Hint: x.hint, Options: wayOptions(x.now)})
	}
	p.Fields = append(p.Fields, views.Field{Name: "when", Label: "Mail comes", Kind: "select", Hint: "What waits for a shift counts to it. Where no next shift is recorded, nothing waits.",
		Options: []views.Option{{Value: "any", Word: "At once", Chosen: !now.InShifts}, {Value: "shift", Word: "In my shifts only", Chosen: now.InShifts}}})
	if now.Address != "" {
		p.Address, p.State = now.Address, "asked, not confirmed: nothing is sent to it yet"
		if now.Confirmed {
			p.State = "confirmed"
		}
		p.Forget = views.SetupAct{Word: "Forget this address", Action: s.url("/account/notices/forget")}
	}
	if s.mailReady() {
		p.AskTo = s.url("/account/notices/address")
		p.Ask = views.Field{Name: "address", Label: "Mail address", Kind: "text", Hint: "A mail asks whether it is yours. Until its link is opened, nothing else is sent there.", Value: typed, Longest: 254, Wrong: wrong}
		if wrong != "" {
			p.Trouble, p.Problems = "Not asked yet", []views.FormProblem{{Field: "address", Words: wrong}}
		}
	} else {
		p.NoMail = "No mail can be sent from this farm: whoever runs the server has set up no mail server."
	}
	return render(c, status, views.NoticeSettings(p))
}

func (s *Server) getNoticeSettings() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		who, err := s.own(c)
		if err != nil {
			return err
		}
		now, err := s.store.PersonNoticeSettings(c.Request().Context(), who.Person)
		if err != nil {
			return err
		}
		return s.noticeSettings(c, http.StatusOK, now, "", "")
	}
}

func (s *Server) postNoticeSettings() echo.HandlerFunc {
	return func(c echo.Context) error {
		who, err := s.own(c)
		if err != nil {
			return err
		}
		sent, err := readForm(c, "hold", "finding", "job", "when")
		if err != nil {
			return err
		}
		for _, name := range []string{"hold", "finding", "job"} {
			if v := sent[name]; v != "app" && v != "mail" && v != "off" {
				return badRequest(fault.Problem{Column: name, Found: v, Expected: "app, mail or off"})
			}
		}
		if v := sent["when"]; v != "any" && v != "shift" {
			return badRequest(fault.Problem{Column: "when", Found: v, Expected: "any or shift"})
		}
		if err := s.store.SaveNoticeSettings(c.Request().Context(), who.Person, store.NoticeSettings{Hold: sent["hold"], Finding: sent["finding"], Job: sent["job"], InShifts: sent["when"] == "shift"}); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/account/notices?saved=yes"))
	}
}
