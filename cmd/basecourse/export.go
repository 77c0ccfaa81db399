package main

import (
	"context"
	"encoding/json"
	"fmt"

	"basecourse/internal/store"
)

type exportCmd struct {
	Dir    string `arg:"" help:"Folder for the bundle; made where missing, must hold no bundle yet."`
	Format string `enum:"text,json" default:"text" help:"text or json."`
}

// Help is shown by --help.
func (exportCmd) Help() string {
	return `The farm at one instant, voided records too. Importing it into an empty farm and exporting that gives the same bytes.

Example:

    basecourse export farm-2026-03/`
}

// Run exports.
func (c exportCmd) Run(a *app) error {
	return a.withStore(false, func(st *store.Store) error {
		report, err := st.Export(a.ctx, c.Dir)
		if err != nil {
			return err
		}
		if c.Format == "json" {
			b, err := json.MarshalIndent(report, "", "  ")
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(a.stdout, "%s\n", b)
			return err
		}
		fmt.Fprintf(a.stdout, "%-20s %10s\n", "file", "rows")
		for _, f := range report.Files {
			fmt.Fprintf(a.stdout, "%-20s %10d\n", f.File, f.Rows)
		}
		return nil
	})
}

// exportBundle writes a bundle and gives the number of its rows.
func exportBundle(ctx context.Context, st *store.Store, dir string) (rows int, err error) {
	report, err := st.Export(ctx, dir)
	for _, f := range report.Files {
		rows += f.Rows
	}
	return rows, err
}
