package web

import (
	"net/http"
	"regexp"
	"strings"
	"time"

	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// getHelpAPI documents the API: rules, examples that run, every address.
func (s *Server) getHelpAPI() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		ctx := c.Request().Context()
		printer, plate := "P-001", "L-001"
		printers, err := s.store.Printers(ctx, "", 1)
		if err != nil {
			return err
		}
		plates, err := s.store.Plates(ctx, "", 1)
		if err != nil {
			return err
		}
		if len(printers) > 0 && plainWord.MatchString(printers[0].Tag) {
			printer = printers[0].Tag
		}
		if len(plates) > 0 && plainWord.MatchString(plates[0].Tag) {
			plate = plates[0].Tag
		}
		p := views.HelpAPIPage{Shell: s.shell(c, "API", ""), Crumb: s.url("/help"), Description: s.url("/api/v1/openapi.json"), Tokens: s.open(c, "/setup/tokens"),
			Begin: "FARM=" + s.publicAddress(c) + "\nTOKEN=bct_…", Rules: apiRules, Examples: apiExamples(printer, plate, s.now()), Addresses: apiAddresses(s.table)}
		return render(c, http.StatusOK, views.HelpAPI(p))
	}
}

// plainWord is a name that means the same in a shell, in JSON and in an address.
var plainWord = regexp.MustCompile(`^[A-Za-z0-9._-]+$`)

var plainHost = regexp.MustCompile(`^[A-Za-z0-9.\[\]:-]+$`)

// publicAddress is where programs reach the farm, as far as is known.
func (s *Server) publicAddress(c echo.Context) string {
	if s.cfg.PublicURL != "" {
		return strings.TrimSuffix(s.cfg.PublicURL, "/")
	}
	if host := c.Request().Host; plainHost.MatchString(host) {
		return "http://" + host + s.base
	}
	return "http://127.0.0.1:8080" + s.base
}

// apiRules hold for every address.
var apiRules = []views.Fact{
	{Word: "Values", Value: "Times have an offset on the way in and are UTC on the way out. Empty, null and absent are the same: unknown. Unknown fields and parameters are refused by name."},
	{Word: "Ids", Value: "An id is yours to choose: a UUID, or any text of 1 to 64 characters. The answer gives both id (UUID) and ref (your text), and every address takes either."},
	{Word: "Sending again", Value: "Always safe with the same id. The same content is answered already_recorded; fields that were empty may be filled once; other content is a conflict. A wrong record is voided and recorded anew."},
	{Word: "Pages", Value: "Lists have items and next. Give next as cursor to read on; null is the end. limit is 1 to 500, 100 when left out."},
	{Word: "Unchanged answers", Value: "Every answer has an ETag. Send it as If-None-Match: while nothing changed the answer is 304 without a body."},
	{Word: "Limits", Value: "Who sends too fast gets 429, who comes when too much is going on 503; both say in Retry-After how many seconds to wait. Nothing of it was stored unless it was answered recorded."},
	{Word: "Refusals", Value: "They are problems (RFC 9457): type, title, status, detail, and in problems where, what was found and what was expected."},
}

// apiExamples run as they stand, in this order, with FARM and TOKEN set.
func apiExamples(printer, plate string, now time.Time) []views.APIExample {
	at := now.UTC().Truncate(time.Minute)
	id := "example-" + at.Format("20060102T1504")
	const auth = `-H "Authorization: Bearer $TOKEN"`
	post := func(record string) string {
		return "curl -sS " + auth + " -H 'Content-Type: application/json' \\\n  \"$FARM/api/v1/records\" --data '{\"records\":[" + record + "]}'"
	}
	get := func(path string) string { return "curl -sS " + auth + " \"$FARM/api/v1" + path + "\"" }
	start := `{"kind":"first_layer","id":"` + id + `",` + "\n  " + `"printer":"` + printer + `","plate":"` + plate + `","started_at":"` + at.Format(time.RFC3339) + `"}`
	return []views.APIExample{
		{ID: "printers", Title: "Read the printers", Text: "Two at a time.", Code: get("/printers?limit=2"), Gives: `"items":[{"printer":`},
		{ID: "start", Title: "Record a start", Text: "The moment the nozzle begins to lay the first layer.", Code: post(start), Gives: `"result":"recorded"`},
		{ID: "again", Title: "Send it again", Text: "After a broken connection nobody knows whether it arrived. Send the same record again.", Code: post(start), Gives: `"result":"already_recorded"`},
		{ID: "grade", Title: "Fill in the grade", Text: "What was empty may be filled once, under the same id.",
			Code: post(`{"kind":"first_layer","id":"` + id + `",` + "\n  " + `"printer":"` + printer + `","started_at":"` + at.Format(time.RFC3339) + `",` + "\n  " +
				`"grade":"cosmetic","graded_at":"` + at.Format(time.RFC3339) + `","marks":[{"zone":"A1","mark":"nozzle_low","severity":1}]}`), Gives: `"result":"recorded"`},
		{ID: "one", Title: "Read one record", Text: "By UUID or by your own id.", Code: get("/first-layers/" + id), Gives: `"grade":"cosmetic"`},
		{ID: "refused", Title: "See a refusal", Text: "A bad record hides no good one: each has its own answer.",
			Code: post(`{"kind":"cleaning","id":"` + id + `-c","plate":"` + plate + `","cleaned_at":"yesterday","method":"wash"}`), Gives: `"pointer":"/records/0/cleaned_at"`},
		{ID: "void", Title: "Void a record", Text: "Nothing is deleted. A voided record stays readable and counts no more.",
			Code: post(`{"kind":"void","record":"` + id + `","voided_at":"` + at.Format(time.RFC3339) + `","void_reason":"only an example"}`), Gives: `"result":"recorded"`},
		{ID: "pages", Title: "Read a list to its end", Text: "Each page names the next one.",
			Code: "next=\nwhile :; do\n  page=$(" + get("/first-layers?limit=500&cursor=$next") + ")\n  echo \"$page\"\n  next=$(echo \"$page\" | sed -n 's/.*\"next\":\"\\([^\"]*\\)\".*/\\1/p')\n  [ \"$next\" ] || break\ndone", Gives: `"next":null`},
		{ID: "new", Title: "Read what is new", Text: "What arrived, was filled in or was voided since, whenever it happened.", Code: get("/first-layers?printer=" + printer + "&arrived_since=" + at.AddDate(0, 0, -1).Format(time.RFC3339)), Gives: `"items":[`},
		{ID: "unchanged", Title: "Ask whether anything changed", Text: "304 says no, and sends nothing.",
			Code: "tag=$(curl -sS -D - -o /dev/null " + auth + " \"$FARM/api/v1/plates\" | tr -d '\\r' | sed -n 's/^[Ee][Tt]ag: //p')\ncurl -sS -o /dev/null -w '%{http_code}\\n' " + auth + " \\\n  -H \"If-None-Match: $tag\" \"$FARM/api/v1/plates\"", Gives: "304"},
		{ID: "findings", Title: "Read the findings", Text: "The same object that basecourse findings prints.", Code: get("/findings?at=" + at.Format(time.RFC3339)), Gives: `"findings":[`},
	}
}

// apiAddresses lists every described address.
func apiAddresses(list []Route) views.Table {
	t := views.Table{Caption: "All addresses", Sub: "with the least role that may use them, and what may stand behind the question mark",
		Columns: []views.Column{{Word: "Address"}, {Word: "What it does"}, {Word: "Role"}, {Word: "Parameters", Wide: true}}}
	for _, r := range list {
		if r.doc == nil || r.Method == http.MethodHead {
			continue
		}
		var names []string
		for _, p := range r.doc.Params {
			names = append(names, p.Name)
		}
		role := "anyone"
		if r.Role != roleAnyone {
			role = wordFor(roleWords, r.Role)
		}
		t.Rows = append(t.Rows, views.Row{Cells: []views.Cell{{Text: r.Method + " " + r.Path}, {Text: r.doc.Summary}, {Text: role}, {Text: strings.Join(names, ", ")}}})
	}
	return t
}
