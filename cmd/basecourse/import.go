package main

import (
	"encoding/json"
	"fmt"
	"io"

	"basecourse/internal/fault"
	"basecourse/internal/intake"
	"basecourse/internal/store"
)

type importCmd struct {
	Bundle  string `arg:"" help:"Folder, or .zip of one, with the farm's CSV files."`
	Format  string `enum:"text,json" default:"text" help:"text or json."`
	Partial bool   `help:"Store the good rows although others are refused."`
	Refused string `placeholder:"DIR" help:"With --partial: folder for the refused rows, as a bundle, with problems.json."`
	Update  bool   `help:"Change printers, plates, materials, people, jobs and settings that are there already."`
}

// Help is shown by --help.
func (importCmd) Help() string {
	return `One transaction: everything goes in, or nothing does. Importing again is safe. Exit code 0: everything is in the farm now; 1: something was refused.

Examples:

    basecourse import bundle/
    basecourse import bundle.zip --partial --refused refused/ --format json`
}

// Run imports.
func (c importCmd) Run(a *app) error {
	if c.Refused != "" && !c.Partial {
		return fault.Misused("--refused goes with --partial: without it nothing is stored when a row is refused")
	}
	source, closer, err := intake.OpenSource(c.Bundle)
	if err != nil {
		return err
	}
	defer closer.Close()
	return a.withStore(true, func(st *store.Store) error {
		progress, done := a.progress("importing")
		report, err := st.Import(a.ctx, store.Act{Via: "import"}, source, store.ImportOptions{
			Partial: c.Partial, RefusedDir: c.Refused, Update: c.Update, Progress: progress,
		})
		done()
		if err != nil {
			return err
		}
		if err := c.print(a.stdout, report); err != nil {
			return err
		}
		refused := 0
		for _, f := range report.Files {
			refused += f.Refused
		}
		switch {
		case !report.Stored:
			a.say("Nothing was stored.")
			return &toldError{"something was refused"}
		case refused > 0:
			a.say("%d rows were refused, the others are stored.", refused)
			return &toldError{"something was refused"}
		}
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
	for _, made := range r.Created {
		fmt.Fprintf(w, "created by name alone: %s %s\n", made.Kind, fault.Quote(made.Name))
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
