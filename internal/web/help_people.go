package web

import (
	"net/http"
	"strconv"

	"basecourse/views"

	"github.com/labstack/echo/v4"
)

// getHelpPeople says what is kept about people, why and how long.
func (s *Server) getHelpPeople() echo.HandlerFunc {
	return func(c echo.Context) error {
		if err := onlyParams(c); err != nil {
			return err
		}
		values, err := s.store.Settings(c.Request().Context())
		if err != nil {
			return err
		}
		idle, longest := strconv.Itoa(int(sessionIdle.Hours())), strconv.Itoa(int(sessionLongest.Hours()))
		apart := map[string]string{
			peopleShown:  "A manager may look at one person’s layers apart in Trends, and sees how strict each one grades; everybody sees their own.",
			peopleGroups: "Nobody may look at another person’s layers apart in Trends. How strict people grade is shown in groups of five or more, and to each person their own.",
			peopleOff:    "Nobody may look at another person’s layers apart in Trends, and how strict people grade is shown to nobody.",
		}[values.Text("person_level")] + " A manager can change that in Setup, Settings; changes stand in the trail. Records themselves say who graded, in whichever way it is set."
		p := views.HelpPeoplePage{Shell: s.shell(c, "What is kept about people", ""), Crumb: s.url("/help")}
		add := func(what, why, long string) {
			p.Table.Rows = append(p.Table.Rows, views.Row{Cells: []views.Cell{{Text: what}, {Text: why}, {Text: long}}})
		}
		p.Table = views.Table{Caption: "Kept", Columns: []views.Column{{Word: "What"}, {Word: "Why"}, {Word: "How long"}}}
		add("Handle, name and role", "So that the crew knows who did what.", "Until removed in Setup, People: at once, or in 30 days.")
		add("Who recorded, graded, cleaned, probed or changed something, and when", "Strict and mild graders are told apart in findings, mistakes can be asked about, and tampering shows.", "As long as the records, under a number without a name.")
		add("Second grades given blind, and which layers were drawn for it", "To see how alike people grade and to check what findings take for strictness.", "As long as the records, under a number. What was drawn goes with its person.")
		add("Rounds of practice: when, how many right, the answers", "So that whoever grades has been shown how. You and managers see it.", "As long as the records, under a number.")
		add("Shifts", "So that prep work is planned within them.", "As long as the records, under a number.")
		add("A hash of the password; key and recovery codes of a second factor", "To sign in. The password itself is never kept.", "Until changed, switched off or removed.")
		add("Which account at a sign-in provider is theirs, if they linked one: a number of the provider’s, no name", "To sign in without a password of the farm’s.", "Until taken away or removed.")
		add("Photos of first layers, without place or device, and who took them", "To compare a layer with a clean one.", "Until whoever took it, or a manager, removes it; all of a person’s when they are removed.")
		add("A hash of the PIN for shared tablets, if they have one", "To change over on a tablet with gloves on. Each entry notes the tablet it came from.", "Until changed, taken away or removed.")
		add("A mark of each device that is signed in, on the device and here", "So that nobody types a password twice a minute.", idle+" hours after the last use, "+longest+" hours at most.")
		add("A mail address, if they give one, and what they chose to be told", "So that notices reach them where they want them.", "Until they forget it, stop the mail or are removed.")
		add("Which notices they were given and have read", "So that the count shows what is new.", "90 days.")
		add("Failed tries to sign in, as a hash of handle and address", "Guessing gets slower.", "A day.")
		add("One line a request in the server’s log: time, handle, address of the device, page", "To find what went wrong.", "As long as whoever runs the server keeps logs.")
		p.Notes = []string{
			"Nobody is ranked: people are no grouping in Trends. " + apart,
			"Notes and reasons are kept as they were typed. Name nobody in them.",
			"Backups and daily copies from before a removal hold the name until they are thrown away, after " + strconv.Itoa(keptCopies) + " days where nothing else is set. Restoring one removes the person again.",
		}
		return render(c, http.StatusOK, views.HelpPeople(p))
	}
}

// keptCopies is how many daily copies and backups are kept where nothing else is
// set.
const keptCopies = 14
