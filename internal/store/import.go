package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
)

// ImportOptions say how a bundle goes in.
type ImportOptions struct {
	Partial    bool   // store the good rows although some are refused
	RefusedDir string // Partial, Check: where the refused rows go, as a bundle, with problems.json
	Update     bool   // change printers, plates, people … that are already there
	Check      bool   // store nothing: say what would go in and what is wrong
	Progress   func(ImportProgress)
}

// ImportProgress tells how far an import is.
type ImportProgress struct {
	File        string
	Done, Total int64 // bytes of all files
}

// FileReport counts the rows of one file.
type FileReport struct {
	File            string `json:"file"`
	Rows            int    `json:"rows"`
	Recorded        int    `json:"recorded"`
	AlreadyRecorded int    `json:"already_recorded"`
	Refused         int    `json:"refused"`
	LeftOut         int    `json:"left_out,omitempty"`   // rows of a log that its mapping leaves out
	TakenBack       int    `json:"taken_back,omitempty"` // of a bundle's already recorded: by an import that was undone
}

// Notes says what the counts alone do not; "" nothing.
func (f *FileReport) Notes() string {
	switch {
	case f.TakenBack == 0:
		return ""
	case f.TakenBack == 1:
		return f.File + ": 1 row was recorded by an import that was undone. It stays taken back; recorded again it needs another id."
	}
	return fmt.Sprintf("%s: %d rows were recorded by imports that were undone. They stay taken back; recorded again they need other ids.", f.File, f.TakenBack)
}

// Report tells what became of a bundle; its JSON is what the command prints.
type Report struct {
	Files         []FileReport    `json:"files"`
	Created       []Created       `json:"created"`
	Problems      []fault.Problem `json:"problems"` // the first mostProblems
	ProblemsTotal int             `json:"problems_total"`
	Stored        bool            `json:"-"` // whether the good rows are in the farm now
	Refused       []RefusedRow    `json:"-"` // the first mostShown refused rows as they stood

	Unknown []Created `json:"unknown,omitempty"` // printers and plates that rows name and nobody knows
	Act     int64     `json:"act,omitempty"`     // of what was stored of a log: it can be undone
}

// RefusedRow is a refused row as it stood, below its file's header.
type RefusedRow struct {
	File   string `json:"file"`
	Line   int    `json:"line"`
	Header string `json:"header"`
	Raw    string `json:"raw"`
}

// mostShown and longestShown bound the rows a report shows.
const (
	mostShown    = 100
	longestShown = 4000
)

// mostProblems bounds a report: the first thousand tell what is wrong.
const mostProblems = 1000

// Import takes a bundle into the farm in one transaction. Without Partial one
// refused row means that nothing is stored (Report.Stored false); the report
// then says what is wrong, and the error is nil. The error is of reading the
// source or of the database; then nothing is stored either.
//
// The files are read, checked and turned into the database's own binary form
// here, while the database takes the rows before; memory does not grow with the
// bundle.
func (s *Store) Import(ctx context.Context, act Act, source intake.Source, opt ImportOptions) (Report, error) {
	report := Report{Files: []FileReport{}, Created: []Created{}, Problems: []fault.Problem{}}
	im := &importer{opt: opt, report: &report, now: s.Now()}
	var err error
	_, isLog := source.(*intake.Log)
	if im.refuse, err = newRefusedBundle(opt, isLog); err != nil {
		return report, err
	}
	defer im.refuse.close()
	err = s.write(ctx, act, func(w *writer) error {
		im.writer = w
		w.at = im.now
		return im.run(ctx, source)
	})
	switch {
	case errors.Is(err, errChecked):
		report.Created = append(report.Created, im.created...)
		return report, im.refuse.finish(&report)
	case errors.Is(err, errNothingStored):
		for i := range report.Files {
			report.Files[i].Recorded = 0
		}
		return report, nil
	case isUniqueViolation(err):
		return report, fault.Wrap(fault.Busy, err, "somebody recorded the same things at the same moment: import again")
	case err != nil:
		return report, wrap("store.Import", err)
	}
	report.Stored = true
	if isLog {
		report.Act = im.act
	}
	report.Created = append(report.Created, im.created...)
	return report, im.refuse.finish(&report)
}

// ImportFarm takes a farm in memory in, the same way as a bundle on disk.
func (s *Store) ImportFarm(ctx context.Context, act Act, b *farm.Bundle, opt ImportOptions) (Report, error) {
	return s.Import(ctx, act, intake.Memory(b), opt)
}

var errChecked = errors.New("a check stores nothing")

var errNothingStored = errors.New("something was refused, nothing is stored")

type importer struct {
	*writer
	opt    ImportOptions
	now    time.Time
	report *Report
	refuse *refusedBundle
	copier *copier
	things *thingLoader
	listed map[farm.Kind]bool // kinds whose file is in the bundle
	seen   *seenIDs
	fresh  bool // no record was in the farm before

	headers []string    // of the files so far, as they stood
	log     *intake.Log // the source, where it is one
	unknown map[Created]bool
	undone  []int64 // acts of imports that were undone

	lifted   []liftedIndex // taken away until settle; nil when none are
	named    namedThings   // by rows whose tables' checks are off meanwhile
	deferred []deferredRow // wait for them
}

func (im *importer) run(ctx context.Context, source intake.Source) error {
	tables, sizes, wrong := intake.Arrange(source)
	if len(wrong) > 0 {
		// Not even --partial makes a bundle of something else.
		im.problems(wrong)
		return errNothingStored
	}
	// One import at a time: the second one sees what the first one stored. The
	// server's limits are for ordinary calls.
	if _, err := im.tx.Exec(ctx, `SET LOCAL statement_timeout = 0; SET LOCAL lock_timeout = 0;
		SET LOCAL idle_in_transaction_session_timeout = 0; SET LOCAL work_mem = '64MB'`); err != nil {
		return err
	}
	if _, err := im.tx.Exec(ctx, `SELECT pg_advisory_xact_lock($1, 3)`, lockClass); err != nil {
		return err
	}
	if err := im.tx.QueryRow(ctx, `SELECT NOT EXISTS (SELECT FROM records)`).Scan(&im.fresh); err != nil {
		return err
	}
	if err := im.loadThings(ctx); err != nil {
		return err
	}
	im.listed = map[farm.Kind]bool{}
	im.log, _ = source.(*intake.Log)
	im.unknown = map[Created]bool{}
	var err error
	if im.undone, err = im.undoneImports(ctx); err != nil {
		return err
	}
	total := int64(0)
	for i, t := range tables {
		im.listed[t.Kind] = true
		total += sizes[i]
		im.report.Files = append(im.report.Files, FileReport{File: intake.FileOf(source, t)})
	}
	im.seen = newSeenIDs(total / 60)
	if im.fresh && total > liftAbove && !im.opt.Check { // a check must not keep readers waiting
		if err := im.lift(ctx); err != nil {
			return err
		}
	}
	im.things = &thingLoader{importer: im}
	im.copier = startCopier(ctx, im.tx.Conn().PgConn())
	defer im.copier.stop()

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	reader := startReading(ctx, source, tables, im.now)
	defer reader.stop()
	done := int64(0)
	for c := range reader.chunks {
		if err := im.chunk(ctx, c); err != nil {
			return err
		}
		done += c.bytes
		if im.opt.Progress != nil {
			im.opt.Progress(ImportProgress{c.table.File, min(done, total), total})
		}
		reader.free(c)
	}
	if err := reader.err; err != nil {
		return err
	}
	if err := im.settle(ctx); err != nil {
		return err
	}
	if err := im.copier.wait(); err != nil {
		return err
	}
	if total > analyseAbove && !im.opt.Check {
		if err := im.analyse(ctx); err != nil {
			return err
		}
	}
	problems, err := im.pictures(ctx, source)
	if err != nil {
		return err
	}
	im.problems(problems)
	switch {
	case im.opt.Check:
		return errChecked
	case im.report.ProblemsTotal > 0 && !im.opt.Partial:
		return errNothingStored
	}
	return nil
}

func (im *importer) chunk(ctx context.Context, c *chunk) error {
	file := &im.report.Files[c.file]
	if c.first {
		im.problems(c.headerProblems)
		im.headers = append(im.headers, c.header)
		if err := im.refuse.open(c.file, file.File, im.above()+c.header); err != nil {
			return err
		}
	}
	file.Rows += c.n
	file.LeftOut = c.leftOut
	if c.headerBad {
		for i := range c.n {
			file.Refused++
			if err := im.refuse.row(c.file, c.rows[i].Raw); err != nil {
				return err
			}
		}
		return nil
	}
	if c.table.Event {
		return im.events(ctx, c, file)
	}
	return im.things.load(ctx, c, file)
}

// refused counts a refused row and keeps it for the refused bundle.
func (im *importer) refused(number int, row *intake.Row, problems []fault.Problem) error {
	file := &im.report.Files[number]
	file.Refused++
	for i := range problems {
		problems[i].File, problems[i].Line = file.File, row.Line
		if kind, ok := strings.CutPrefix(problems[i].Expected, knownTag); ok {
			im.notKnown(Created{farm.Kind(kind), problems[i].Found})
		}
	}
	im.problems(problems)
	if len(im.report.Refused) < mostShown && len(row.Raw) <= longestShown && number < len(im.headers) {
		im.report.Refused = append(im.report.Refused, RefusedRow{file.File, row.Line, im.headers[number], row.Raw})
	}
	return im.refuse.row(number, row.Raw)
}

// mostUnknown bounds the printers and plates a report lists that nobody knows.
const mostUnknown = 500

func (im *importer) notKnown(thing Created) {
	if len(im.unknown) < mostUnknown && !im.unknown[thing] {
		im.unknown[thing] = true
		im.report.Unknown = append(im.report.Unknown, thing)
	}
}

// placed gives problems of fields the place they have in a log.
func (im *importer) placed(problems []fault.Problem) []fault.Problem {
	if im.log != nil {
		for i := range problems {
			problems[i].Column = im.log.Place(problems[i].Column)
		}
	}
	return problems
}

func (im *importer) above() string {
	if im.log == nil {
		return ""
	}
	return im.log.Above()
}

func (im *importer) problems(list []fault.Problem) {
	im.report.ProblemsTotal += len(list)
	im.refuse.problems(list)
	if room := mostProblems - len(im.report.Problems); room > 0 {
		im.report.Problems = append(im.report.Problems, list[:min(room, len(list))]...)
	}
}

// refusal gives the problems of a row from an error that refuses it; other
// errors end the import.
func refusal(err error) ([]fault.Problem, error) {
	var f *fault.Error
	if errors.As(err, &f) && (f.Kind == fault.Invalid || f.Kind == fault.Conflict) && len(f.Problems) > 0 {
		return f.Problems, nil
	}
	return nil, err
}

// Text is the report as the command prints it.
func (r Report) Text() string {
	var b strings.Builder
	width := len("file")
	for _, f := range r.Files {
		width = max(width, len(f.File))
	}
	fmt.Fprintf(&b, "%-*s %10s %10s %17s %10s\n", width, "file", "rows", "recorded", "already recorded", "refused")
	for _, f := range r.Files {
		fmt.Fprintf(&b, "%-*s %10d %10d %17d %10d\n", width, f.File, f.Rows, f.Recorded, f.AlreadyRecorded, f.Refused)
	}
	for i := range r.Files {
		if words := r.Files[i].Notes(); words != "" {
			fmt.Fprintln(&b, words)
		}
	}
	for _, c := range r.Created {
		fmt.Fprintf(&b, "created %s %s\n", c.Kind, c.Name)
	}
	for _, p := range r.Problems {
		fmt.Fprintln(&b, p.String())
	}
	if more := r.ProblemsTotal - len(r.Problems); more > 0 {
		fmt.Fprintf(&b, "and %d more problems\n", more)
	}
	switch {
	case !r.Stored:
		b.WriteString("Something was refused: nothing was stored.\n")
	case r.ProblemsTotal > 0:
		b.WriteString("The good rows are in the farm now; the refused ones are not.\n")
	default:
		b.WriteString("Everything is in the farm now.\n")
	}
	return b.String()
}
