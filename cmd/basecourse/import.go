package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
	"basecourse/views"
)

type importCmd struct {
	Bundle  string `arg:"" optional:"" help:"Folder, or .zip of one, with the farm's CSV files; with --mapping one CSV file of any form."`
	Format  string `enum:"text,json" default:"text" help:"text or json."`
	Partial bool   `help:"Store the good rows although others are refused."`
	Refused string `placeholder:"DIR" help:"With --partial or --dry-run: folder for the refused rows as they stood, with problems.json."`
	Update  bool   `help:"Change printers, plates, materials, people, jobs and settings that are there already."`
	DryRun  bool   `help:"Store nothing: say what would be recorded and what is wrong."`
	Mapping string `placeholder:"FILE|NAME" help:"Read a log of any form by a mapping: a file with its JSON, or the name of one kept in the farm."`
	Suggest string `placeholder:"KIND" help:"Print a mapping suggested for a log whose rows are of this kind (first_layer, cleaning, probe, probe_skipped, offset_change, service, fitting, plate_state), and say why."`
	Undo    int64  `placeholder:"ACT" help:"Take back all that one import recorded; its number is in the report."`
	Why     string `help:"With --undo: why."`
}

// Help is shown by --help.
func (importCmd) Help() string {
	return `One transaction: everything goes in, or nothing does. Importing again is safe. Exit code 0: everything is in the farm now (or would be); 1: something was refused.

Examples:

    basecourse import bundle/
    basecourse import bundle.zip --partial --refused refused/ --format json
    basecourse import --suggest cleaning log.csv > mapping.json
    basecourse import --mapping mapping.json --dry-run log.csv
    basecourse import --undo 1204 --why "wrong year"`
}

// Run imports.
func (c importCmd) Run(a *app) error {
	switch {
	case c.Undo != 0:
		return c.undo(a)
	case c.Bundle == "":
		return fault.Misused("name the bundle, or the log, to import")
	case c.Refused != "" && !c.Partial && !c.DryRun:
		return fault.Misused("--refused goes with --partial or --dry-run: without them nothing is stored when a row is refused")
	case c.Suggest != "":
		return c.suggest(a)
	}
	return a.withStore(true, func(st *store.Store) error {
		source, closer, err := c.source(a, st)
		if err != nil {
			return err
		}
		defer closer.Close()
		progress, done := a.progress("importing")
		report, err := st.Import(a.ctx, store.Act{Via: "import"}, source, store.ImportOptions{
			Partial: c.Partial, RefusedDir: c.Refused, Update: c.Update, Check: c.DryRun, Progress: progress,
		})
		done()
		if err != nil {
			return err
		}
		if err := c.print(a.stdout, report); err != nil {
			return err
		}
		return c.told(a, report)
	})
}

func (c importCmd) told(a *app, report store.Report) error {
	refused := 0
	for _, f := range report.Files {
		refused += f.Refused
	}
	switch {
	case c.DryRun && report.ProblemsTotal > 0:
		a.say("Tried dry: %d problems. Nothing was stored.", report.ProblemsTotal)
		return &toldError{"something would be refused"}
	case c.DryRun:
		a.say("Tried dry: everything fits. Nothing was stored.")
	case !report.Stored:
		a.say("Nothing was stored.")
		return &toldError{"something was refused"}
	case refused > 0:
		a.say("%d rows were refused, the others are stored.", refused)
		return &toldError{"something was refused"}
	}
	return nil
}

// source is the bundle, or the log beside its mapping.
func (c importCmd) source(a *app, st *store.Store) (intake.Source, io.Closer, error) {
	if c.Mapping == "" {
		return intake.OpenSource(c.Bundle)
	}
	text, err := os.ReadFile(c.Mapping)
	if errors.Is(err, os.ErrNotExist) {
		kept, err := st.Thing(a.ctx, farm.KindMapping, c.Mapping)
		if err != nil {
			return nil, nil, fault.Wrap(fault.NotFound, err, "%s: there is no such file, and no mapping of that name in the farm", c.Mapping)
		}
		text = []byte(kept.(*farm.LogMapping).Says)
	} else if err != nil {
		return nil, nil, fault.Wrap(fault.Invalid, err, "%s cannot be read", c.Mapping)
	}
	m, err := intake.ReadMapping(text)
	if err != nil {
		var f *fault.Error
		if errors.As(err, &f) {
			for i := range f.Problems {
				f.Problems[i].File = filepath.Base(c.Mapping)
			}
		}
		return nil, nil, err
	}
	info, err := os.Stat(c.Bundle)
	if err != nil || info.IsDir() {
		return nil, nil, fault.New(fault.NotFound, "%s: there is no such file", c.Bundle)
	}
	return &intake.Log{Mapping: m, Name: filepath.Base(c.Bundle), Size: info.Size(), Bytes: func() (io.ReadCloser, error) { return os.Open(c.Bundle) }}, io.NopCloser(nil), nil
}

// suggest prints a mapping; why, and what is left to say, goes to standard error.
func (c importCmd) suggest(a *app) error {
	kind := farm.Kind(c.Suggest)
	if !slices.Contains(intake.LogKinds, kind) {
		return fault.Misused("--suggest %s: rows of a log are first_layer, cleaning, probe, probe_skipped, offset_change, service, fitting or plate_state", c.Suggest)
	}
	file, err := os.Open(c.Bundle)
	if err != nil {
		return fault.Wrap(fault.NotFound, err, "%s cannot be opened", c.Bundle)
	}
	defer file.Close()
	survey, err := intake.Look(file, "", "", 0)
	if err != nil {
		return err
	}
	name := strings.TrimSuffix(filepath.Base(c.Bundle), filepath.Ext(c.Bundle))
	m, reasons := intake.Suggest(survey, name, kind, "", views.MarkNamed)
	for _, r := range reasons {
		sign := " "
		if r.Ask {
			sign = "?"
		}
		a.say("%s %s: %s", sign, r.Field, r.Words)
	}
	_, err = a.stdout.Write(m.JSON())
	return err
}

func (c importCmd) undo(a *app) error {
	if strings.TrimSpace(c.Why) == "" {
		return fault.Misused("--undo asks for --why: it stays with every record that is taken back")
	}
	return a.withStore(true, func(st *store.Store) error {
		n, err := st.UndoImport(a.ctx, store.Act{Via: "command", Why: c.Why}, c.Undo, c.Why)
		if err != nil {
			return err
		}
		a.say("%d records were taken back.", n)
		return nil
	})
}

// shownProblems is how many problems the text report shows; --format json has
// more.
const shownProblems = 20

// print writes the report.
func (c importCmd) print(w io.Writer, r store.Report) error {
	if c.Format == "json" {
		b, err := json.MarshalIndent(r, "", "  ")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w, "%s\n", b)
		return err
	}
	fmt.Fprintf(w, "%-20s %10s %10s %17s %9s\n", "file", "rows", "recorded", "already_recorded", "refused")
	for _, f := range r.Files {
		fmt.Fprintf(w, "%-20s %10d %10d %17d %9d\n", f.File, f.Rows, f.Recorded, f.AlreadyRecorded, f.Refused)
	}
	for i := range r.Files {
		if words := r.Files[i].Notes(); words != "" {
			fmt.Fprintln(w, words)
		}
	}
	for _, made := range r.Created {
		fmt.Fprintf(w, "created by name alone: %s %s\n", made.Kind, fault.Quote(made.Name))
	}
	for _, u := range r.Unknown {
		fmt.Fprintf(w, "not in the farm: %s %s\n", u.Kind, fault.Quote(u.Name))
	}
	if r.Act != 0 {
		fmt.Fprintf(w, "import %d\n", r.Act)
	}
	for i, p := range r.Problems {
		if i == shownProblems {
			break
		}
		fmt.Fprintln(w, p)
	}
	if more := r.ProblemsTotal - min(len(r.Problems), shownProblems); more > 0 {
		fmt.Fprintf(w, "and %d more problems\n", more)
	}
	return nil
}
