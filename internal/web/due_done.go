package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/upkeep"
	"basecourse/views"

	"github.com/gofrs/uuid/v5"
	"github.com/labstack/echo/v4"
)

// dueTask is a task a form sends back: what, and to which printer and plate.
type dueTask struct {
	task           upkeep.Task
	printer, plate string
}

func readDueTask(text string) (t dueTask, err error) {
	parts := strings.Split(text, "|")
	if len(parts) != 3 || !oneTap(upkeep.Task(parts[0])) || !farm.ValidKey(parts[1], 64) || parts[2] != "" && !farm.ValidKey(parts[2], 64) ||
		upkeep.Task(parts[0]).AboutPlate() && parts[2] == "" {
		return t, badRequest(fault.Problem{Column: "task", Found: text, Expected: "a task of the list, as its own form sends it"})
	}
	return dueTask{upkeep.Task(parts[0]), parts[1], parts[2]}, nil
}

// subject is what the task is done to.
func (t *dueTask) subject() string {
	if t.task.AboutPlate() {
		return t.plate
	}
	return t.printer
}

// readDue reads the list's form: one task whose button was tapped, or those ticked.
func readDue(c echo.Context) (tasks []dueTask, id uuid.UUID, back string, err error) {
	form, err := parseForm(c)
	if err != nil {
		return nil, id, "", err
	}
	for name, list := range form {
		if !slices.Contains([]string{"id", "back", "task", "one", "ticked"}, name) || name != "task" && len(list) != 1 {
			return nil, id, "", badRequest(fault.Problem{Column: name, Found: name, Expected: "one of the form's fields: id, back, task, one, ticked"})
		}
	}
	if id, err = uuid.FromString(form.Get("id")); err != nil {
		return nil, id, "", badRequest(fault.Problem{Column: "id", Found: form.Get("id"), Expected: "the form's own number: open the list again"})
	}
	texts := form["task"]
	if one := form.Get("one"); one != "" {
		texts = []string{one}
	}
	for _, text := range texts {
		t, err := readDueTask(text)
		if err != nil {
			return nil, id, "", err
		}
		if !slices.Contains(tasks, t) {
			tasks = append(tasks, t)
		}
	}
	return tasks, id, backTo(form.Get("back")), nil
}

// doneSpace is where the ids of records lie that one tap makes.
var doneSpace = uuid.NewV5(uuid.NamespaceURL, "basecourse/upkeep/due")

// postDue logs tasks as done, now, by whoever taps. A task that was done since the list
// was opened is not recorded again, nor is one that another tablet sends in the same
// moment: the id of its record follows from what was done before it.
func (s *Server) postDue() echo.HandlerFunc {
	return func(c echo.Context) error {
		tasks, id, back, err := readDue(c)
		if err != nil {
			return err
		}
		if back == "" {
			back = "/upkeep"
		}
		if len(tasks) == 0 {
			return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, nil, "none")))
		}
		h, err := s.newHand(c, &dueAct, url.Values{}, id)
		if err != nil {
			return err
		}
		h.person = h.who.Handle
		opened := h.opened()
		for range 3 {
			// Looked at anew each time: what another tablet recorded meanwhile may have
			// happened after this one was asked.
			h.when = s.now().UTC().Truncate(time.Microsecond)
			records, already, err := h.doneRecords(tasks, opened)
			if err != nil {
				return err
			}
			if len(records) == 0 {
				return c.Redirect(http.StatusSeeOther, s.url(withAlready(back, already, "")))
			}
			h.page.Problems = nil
			act, saved, err := h.save(records, "")
			switch {
			case err != nil:
				return err
			case saved:
				return c.Redirect(http.StatusSeeOther, s.url(withSaved(withAlready(back, already, ""), strconv.FormatInt(act, 10))))
			}
			if slices.ContainsFunc(h.page.Problems, func(p views.FormProblem) bool { return p.Field != "" }) {
				break // refused, and not because it was recorded meanwhile
			}
		}
		words := "Nothing was recorded. Open the list again."
		if len(h.page.Problems) > 0 {
			words = h.page.Problems[0].Words
		}
		return fault.New(fault.Invalid, "%s", words)
	}
}

// dueAct stands for taps on the list where an act is wanted: it has no form of its own.
var dueAct = handAct{slug: "due", word: "Due", title: "What is due", names: []string{"task"}}

// doneRecords makes the records of tasks, without those done since the list was opened.
func (h *hand) doneRecords(tasks []dueTask, opened time.Time) (records []handRecord, already []string, err error) {
	var plates, printers []string
	for i := range tasks {
		if t := &tasks[i]; t.task.AboutPlate() {
			plates = append(plates, t.plate)
		} else {
			printers = append(printers, t.printer)
		}
	}
	ofPlate, ofPrinter, err := h.s.store.LastCare(h.ctx, plates, printers, h.when)
	if err != nil {
		return nil, nil, err
	}
	if len(printers) > 0 { // probes name the plate they were made with
		if _, err := h.places(); err != nil {
			return nil, nil, err
		}
	}
	for i := range tasks {
		t := &tasks[i]
		last, known := ofPrinter[t.printer]
		if t.task.AboutPlate() {
			last, known = ofPlate[t.plate]
		}
		if !known {
			return nil, nil, fault.New(fault.Invalid, "There is no %s any more. Open the list again.", t.subject())
		}
		if !last.ID.IsNil() && (last.Arrived.After(opened) || last.At.After(opened)) {
			already = append(already, t.subject())
			continue
		}
		records = append(records, h.doneRecord(t, &last))
	}
	return records, already, nil
}

func (h *hand) doneRecord(t *dueTask, last *store.Care) handRecord {
	var r handRecord
	if t.task.AboutPlate() {
		r = h.record(farm.KindCleaning, t.plate, "cleaned_at", map[string]string{"plate": t.plate, "method": string(t.task)})
	} else {
		f := map[string]string{"printer": t.printer, "extent": "full"}
		if on := h.plateOn(t.printer); on != nil {
			f["plate"], f["plate_side"], f["plate_turned"] = on.Plate, on.Side, on.Turned
		}
		r = h.record(farm.KindProbe, t.printer, "probed_at", f)
	}
	r.id = uuid.NewV5(doneSpace, string(r.kind)+"/"+t.subject()+"/"+last.ID.String()+"/"+strconv.Itoa(last.Voided))
	return r
}

// alreadyShown is how many tags an address names of what was done before.
const alreadyShown = 12

// withAlready adds to an address what was not recorded because it was done meanwhile,
// or that nothing was ticked.
func withAlready(address string, tags []string, why string) string {
	if len(tags) > alreadyShown {
		tags = append(slices.Clone(tags[:alreadyShown]), "…")
	}
	text := strings.Join(tags, " ")
	if why != "" {
		text = why
	}
	if text == "" {
		return address
	}
	join := "?"
	if strings.Contains(address, "?") {
		join = "&"
	}
	return address + join + "already=" + url.QueryEscape(text)
}

// alreadyWords says so on the page.
func alreadyWords(text string) string {
	switch {
	case text == "":
		return ""
	case text == "none":
		return "Nothing was ticked, so nothing was recorded. Tick tasks, or tap Done at one."
	}
	return "Logged already, since this list was opened: " + strings.Join(strings.Fields(text), ", ") + ". It was not recorded a second time."
}

var skipTaskAct = handAct{
	slug: "skip-task", word: "Task skipped", title: "Skip a task",
	prefil: []string{"task", "printer", "plate"},
	names:  []string{"task", "printer", "plate", "reason", "note"},
	page: func(h *hand) error {
		printer, err := h.printerField("For example P-014.")
		if err != nil {
			return err
		}
		plate, err := h.plateField("Where it is about the plate.")
		if err != nil {
			return err
		}
		plate.Optional = true
		task := views.Field{Name: "task", Label: "What is left out", Kind: "select"}
		for _, code := range farm.SkippedTasks {
			task.Options = append(task.Options, views.Option{Value: code, Word: wordFor(taskNouns, code), Chosen: h.values.Get("task") == code})
		}
		reason := views.Field{Name: "reason", Label: "Why it is left out", Kind: "choice"}
		for _, code := range farm.SkipReasons {
			reason.Options = append(reason.Options, views.Option{Value: code, Word: sentenceCase(wordFor(taskSkipWords, code))})
		}
		h.options("reason", reason.Options)
		h.page.Lead = "It stays off the list until the printer starts again. It is no fault to skip: the reason helps to tell what it is worth."
		h.page.Fields = []views.Field{task, printer, plate, reason, {Name: "note", Label: "Note", Value: h.values.Get("note"), Optional: true, Longest: 1000}}
		h.page.Submit = "Save skip"
		return nil
	},
	build: func(h *hand) ([]handRecord, error) {
		printer, err := h.printer("printer")
		if err != nil {
			return nil, err
		}
		plate, err := h.plateIfAny("plate")
		if err != nil {
			return nil, err
		}
		return []handRecord{h.record(farm.KindTaskSkipped, printer, "at", map[string]string{"printer": printer, "plate": plate,
			"task": h.code("task", farm.SkippedTasks, "Say what is left out."), "reason": h.code("reason", farm.SkipReasons, "Say why it is left out."), "note": h.text("note")})}, nil
	},
}
