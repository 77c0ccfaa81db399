package web

import (
	"crypto/rand"
	"encoding/hex"
	"errors"
	"log/slog"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/notices"
	"basecourse/internal/store"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// How many deliveries are listed.
const (
	lastDeliveries = 20
	deadDeliveries = 100
)

var hookNotices = map[string]string{"yes": "Saved.", "off": "Switched off. What waited for it is dropped.", "on": "Switched on.", "test": "A test is on its way. It is listed below in a moment: load the page again.", "again": "It is tried again, under the same key."}

func (s *Server) getHooks() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		ctx, now := c.Request().Context(), s.now()
		zone, err := s.farmZone(ctx)
		if err != nil {
			return err
		}
		list, err := s.store.Webhooks(ctx)
		if err != nil {
			return err
		}
		dead, err := s.store.DeadDeliveries(ctx, deadDeliveries)
		if err != nil {
			return err
		}
		p := views.HooksPage{Shell: withClock(s.shell(c, "Notices sent out", "/setup"), now, zone), Crumb: s.url("/setup"), Add: s.url("/setup/add-webhook"), Saved: hookNotices[c.QueryParam("saved")], DeadAs: count(len(dead))}
		p.Facts = []views.Fact{{Word: "Mail server", Value: "none", Note: "BASECOURSE_SMTP, BASECOURSE_SMTP_FROM and BASECOURSE_PUBLIC_URL set one up"}}
		if s.mailReady() {
			p.Facts = []views.Fact{{Word: "Mail server", Value: "set up", Note: "each person chooses what comes by mail, under Your sign-in"}}
		}
		if len(list) == 0 {
			p.Empty = "No webhooks yet. One posts each notice to a program of yours."
		} else {
			p.Table = views.Table{Caption: "Webhooks", Sub: listSub(1, len(list), len(list)), Columns: []views.Column{{Word: "Name"}, {Word: "State"}, {Word: "Gets"}, {Word: "Waiting", Number: true}, {Word: "Given up", Number: true}}}
			for i := range list {
				h := &list[i]
				p.Table.Rows = append(p.Table.Rows, views.Row{Cells: []views.Cell{{Text: h.Name, Href: s.url("/setup/webhooks/" + url.PathEscape(h.Name))}, {Text: hookState(h)}, {Text: kindWords(h.Kinds)}, {Text: count(h.Waiting)}, {Text: count(h.Dead)}}})
			}
		}
		for _, d := range dead {
			p.Dead = append(p.Dead, views.DeadRow{To: d.To, What: deliveryWord(&d), When: orDash(d.EndedAt, zone), Tries: counted(d.Tries, "try", "tries"), Answer: d.Answer,
				Retry: views.SetupAct{Word: "Try again", Action: s.url("/setup/notices/retry"), Hidden: []views.Fact{{Word: "id", Value: d.ID.String()}}}})
		}
		return render(c, http.StatusOK, views.Hooks(p))
	}
}

func hookState(h *store.Webhook) string {
	if h.OffAt != nil {
		return "off"
	}
	return "in force"
}

func kindWords(kinds []string) string {
	var words []string
	for _, k := range kinds {
		words = append(words, strings.ToLower(notices.Kind(k).Word()))
	}
	return strings.Join(words, ", ")
}

func deliveryWord(d *store.DeliveryRow) string {
	switch {
	case d.Purpose == "confirm":
		return "the mail that asks for an address"
	case d.Purpose == "test":
		return "a test"
	case d.Way == "mail":
		return "notices by mail"
	}
	return "a notice"
}

func (s *Server) postRetryDelivery() echo.HandlerFunc {
	return func(c echo.Context) error {
		sent, err := readForm(c, "id")
		if err != nil {
			return err
		}
		id, err := uuid.FromString(sent["id"])
		if err != nil {
			return badRequest(fault.Problem{Column: "id", Found: sent["id"], Expected: "a delivery's id"})
		}
		if err := s.store.RetryDelivery(c.Request().Context(), id); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/setup/notices?saved=again"))
	}
}

// hookNames are the fields of a webhook's form.
func hookNames(more ...string) []string {
	names := append([]string{"url"}, more...)
	for _, k := range notices.Kinds {
		names = append(names, "kind_"+string(k))
	}
	return names
}

// readHook reads a webhook's form; wrong is by field.
func (s *Server) readHook(sent map[string]string) (h store.Webhook, wrong map[string]string) {
	wrong = map[string]string{}
	h.URL = strings.TrimSpace(sent["url"])
	if s.cfg.Notices == nil {
		wrong["url"] = "Address: this process sends no notices."
	} else if err := s.cfg.Notices.CheckURL(h.URL); err != nil {
		wrong["url"] = "Address: " + err.Error() + "."
	}
	for _, k := range notices.Kinds {
		if sent["kind_"+string(k)] == "yes" {
			h.Kinds = append(h.Kinds, string(k))
		}
	}
	if len(h.Kinds) == 0 {
		wrong["kind_hold"] = "Choose at least one kind of notice."
	}
	return h, wrong
}

func hookFields(h store.Webhook, wrong map[string]string) []views.Field {
	list := []views.Field{{Name: "url", Label: "Address", Kind: "text", Hint: "Begins with https://. Addresses inside the network are refused unless the server’s configuration names them.", Value: h.URL, Longest: 500, Wrong: wrong["url"]}}
	for _, k := range notices.Kinds {
		f := views.Field{Name: "kind_" + string(k), Label: k.Word(), Kind: "check", Value: "yes", Wrong: wrong["kind_"+string(k)]}
		for _, has := range h.Kinds {
			f.On = f.On || has == string(k)
		}
		list = append(list, f)
	}
	return list
}

func (s *Server) hookPage(c echo.Context, title string, zone *time.Location) views.HookPage {
	return views.HookPage{Shell: withClock(s.shell(c, title, "/setup"), s.now(), zone), Crumbs: []views.Fact{{Value: "Setup", Href: s.url("/setup")}, {Value: "Notices sent out", Href: s.url("/setup/notices")}}}
}

func hookTrouble(p *views.HookPage, wrong map[string]string) {
	if len(wrong) == 0 {
		return
	}
	p.Trouble = "Not saved yet"
	for _, name := range hookNames("name") {
		if wrong[name] != "" {
			p.Problems = append(p.Problems, views.FormProblem{Field: name, Words: wrong[name]})
		}
	}
}

func (s *Server) addHookPage(c echo.Context, status int, name string, h store.Webhook, wrong map[string]string) error {
	zone, err := s.farmZone(c.Request().Context())
	if err != nil {
		return err
	}
	p := s.hookPage(c, "Add a webhook", zone)
	p.Action, p.Submit = s.url("/setup/add-webhook"), "Add the webhook"
	p.Fields = append([]views.Field{{Name: "name", Label: "Name", Kind: "text", Hint: "What it is for, for example shift board.", Value: name, Longest: 64, Wrong: wrong["name"]}}, hookFields(h, wrong)...)
	hookTrouble(&p, wrong)
	return render(c, status, views.Hook(p))
}

func (s *Server) getAddHook() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		h := store.Webhook{}
		for _, k := range notices.Kinds {
			h.Kinds = append(h.Kinds, string(k))
		}
		return s.addHookPage(c, http.StatusOK, "", h, nil)
	}
}

// hookSecret makes a secret of 256 random bits. Its text, as shown, is the key.
func hookSecret() (string, error) {
	var raw [32]byte
	_, err := rand.Read(raw[:])
	return hex.EncodeToString(raw[:]), err
}

// postAddHook makes a webhook and shows its secret this once.
func (s *Server) postAddHook() echo.HandlerFunc {
	return func(c echo.Context) error {
		sent, err := readForm(c, hookNames("name")...)
		if err != nil {
			return err
		}
		ctx := c.Request().Context()
		h, wrong := s.readHook(sent)
		if h.Name = strings.TrimSpace(sent["name"]); !farm.ValidKey(h.Name, 64) {
			wrong["name"] = "Name: 1 to 64 characters are needed."
		}
		secret, err := hookSecret()
		if err != nil {
			return err
		}
		if len(wrong) == 0 {
			err := s.store.AddWebhook(ctx, pageAct(c), h, []byte(secret))
			var refusal *fault.Error
			if errors.As(err, &refusal) && refusal.Kind == fault.Conflict {
				wrong["name"] = sentence(refusal.Detail)
			} else if err != nil {
				return err
			}
		}
		if len(wrong) > 0 {
			return s.addHookPage(c, http.StatusUnprocessableEntity, h.Name, h, wrong)
		}
		s.log.LogAttrs(ctx, slog.LevelInfo, "webhook made", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("webhook", h.Name))
		return s.showHook(c, http.StatusOK, h.Name, secret, nil, nil)
	}
}

// showHook is a webhook's page; sent is what a refused form held.
func (s *Server) showHook(c echo.Context, status int, name, secret string, sent *store.Webhook, wrong map[string]string) error {
	ctx := c.Request().Context()
	h, err := s.store.WebhookByName(ctx, name)
	if err != nil {
		return err
	}
	zone, err := s.farmZone(ctx)
	if err != nil {
		return err
	}
	last, err := s.store.WebhookDeliveries(ctx, h.ID, lastDeliveries)
	if err != nil {
		return err
	}
	changes, err := s.store.ThingChanges(ctx, 50, store.ThingName{Kind: "webhook", Name: h.Name})
	if err != nil {
		return err
	}
	p := s.hookPage(c, "Webhook "+h.Name, zone)
	p.Action, p.Submit, p.Secret, p.Saved = s.url("/setup/webhooks/"+url.PathEscape(h.Name)), "Save", secret, hookNotices[c.QueryParam("saved")]
	p.Facts = []views.Fact{{Word: "State", Value: hookState(&h)}, {Word: "Made", Value: clock(h.MadeAt, zone)}, {Word: "Secret", Value: "set", Note: "made with the webhook"}, {Word: "Waiting", Value: count(h.Waiting)}}
	if h.RotatedAt != nil {
		p.Facts[2].Note = "made anew " + clock(*h.RotatedAt, zone)
	}
	shown := h
	if sent != nil {
		shown = *sent
	}
	p.Fields = hookFields(shown, wrong)
	hookTrouble(&p, wrong)
	act := func(do, word, note string, danger bool) {
		p.Acts = append(p.Acts, views.SetupAct{Word: word, Note: note, Action: p.Action + "/act", Hidden: []views.Fact{{Word: "do", Value: do}}, Danger: danger})
	}
	if h.OffAt != nil {
		act("on", "Switch "+h.Name+" on", "It gets what comes from then on.", false)
	} else {
		act("test", "Send a test", "", false)
		act("rotate", "Make a new secret", "Everything is signed with it from then on. The old one counts no more.", true)
		act("off", "Switch "+h.Name+" off", "What waits for it is dropped.", true)
	}
	if len(last) > 0 {
		p.Last = views.Table{Caption: "Last deliveries", Columns: []views.Column{{Word: "Made"}, {Word: "What"}, {Word: "State"}, {Word: "Tries", Number: true}, {Word: "Answer"}}}
		for i := range last {
			d := &last[i]
			state := map[string]string{"waiting": "waits until " + clock(d.NextAt, zone), "sent": "sent", "dead": "given up"}[d.State]
			p.Last.Rows = append(p.Last.Rows, views.Row{Cells: []views.Cell{{Text: clock(d.MadeAt, zone)}, {Text: deliveryWord(d)}, {Text: state}, {Text: strconv.Itoa(d.Tries)}, {Text: either(d.Answer, "none yet")}}})
		}
	}
	if len(changes) > 0 {
		p.Changes = changesTable(changes, zone)
	}
	return render(c, status, views.Hook(p))
}

func (s *Server) getHook() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c, "saved"); err != nil {
			return err
		}
		name, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		return s.showHook(c, http.StatusOK, name, "", nil, nil)
	}
}

func (s *Server) postHook() echo.HandlerFunc {
	return func(c echo.Context) error {
		name, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		sent, err := readForm(c, hookNames()...)
		if err != nil {
			return err
		}
		h, wrong := s.readHook(sent)
		if h.Name = name; len(wrong) > 0 {
			return s.showHook(c, http.StatusUnprocessableEntity, name, "", &h, wrong)
		}
		if err := s.store.ChangeWebhook(c.Request().Context(), pageAct(c), h); err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/setup/webhooks/"+url.PathEscape(name)+"?saved=yes"))
	}
}

// postHookAct tests a webhook, gives it a new secret, switches it off or on.
func (s *Server) postHookAct() echo.HandlerFunc {
	return func(c echo.Context) error {
		name, err := tagParam(c, "tag")
		if err != nil {
			return err
		}
		sent, err := readForm(c, "do")
		if err != nil {
			return err
		}
		ctx, do := c.Request().Context(), sent["do"]
		switch do {
		case "test":
			err = s.store.TestWebhook(ctx, name)
		case "off", "on":
			err = s.store.SwitchWebhook(ctx, pageAct(c), name, do == "on")
		case "rotate":
			var secret string
			if secret, err = hookSecret(); err != nil {
				return err
			}
			if err = s.store.RotateWebhook(ctx, pageAct(c), name, []byte(secret)); err == nil {
				s.log.LogAttrs(ctx, slog.LevelInfo, "webhook's secret made anew", slog.String("request", requestID(c)), slog.String("who", identity(c).label()), slog.String("webhook", name))
				return s.showHook(c, http.StatusOK, name, secret, nil, nil)
			}
		default:
			return badRequest(fault.Problem{Column: "do", Found: do, Expected: "test, rotate, off or on"})
		}
		if err != nil {
			return err
		}
		return c.Redirect(http.StatusSeeOther, s.url("/setup/webhooks/"+url.PathEscape(name)+"?saved="+do))
	}
}
