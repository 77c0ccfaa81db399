package main

import (
	"encoding/json"
	"fmt"
	"strings"

	"basecourse/internal/assess"
	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/gofrs/uuid/v5"
)

// sheets keeps, prints or verifies an evidence sheet.
func (c findingsCmd) sheets(a *app) error {
	switch {
	case c.At != "" || c.KnownAt != "" || c.From != "" || c.To != "":
		return fault.Misused("--keep and --sheet go with no time: a sheet is kept as of now and has its own")
	case c.Keep != "" && c.Sheet != "":
		return fault.Misused("--keep and --sheet do not go together")
	case c.Sheet == "" && c.Verify:
		return fault.Misused("--verify needs --sheet ID")
	}
	return a.withStore(c.Keep != "", func(st *store.Store) error {
		answers := assess.New(st)
		if c.Keep != "" {
			return c.keep(a, st, answers)
		}
		id, err := farm.NewID(farm.KindEvidenceSheet, c.Sheet)
		if err != nil {
			return err
		}
		kept, err := st.EvidenceSheet(a.ctx, id)
		if err != nil {
			return err
		}
		if !c.Verify {
			_, err = fmt.Fprintln(a.stdout, kept.Sheet)
			return err
		}
		k, err := answers.CheckSheet(a.ctx, kept)
		if err != nil {
			return err
		}
		if c.Format == "json" {
			err = json.NewEncoder(a.stdout).Encode(map[string]any{"sheet": kept.ID.UUID.String(), "same": k.Same, "same_definitions": k.Definitions, "says": k.Says(), "differences": len(k.Differs) + k.More})
		} else {
			_, err = fmt.Fprintln(a.stdout, k.Says())
			for _, d := range k.Differs {
				if err == nil {
					_, err = fmt.Fprintf(a.stdout, "  %s: kept %s, now %s\n", d.Where, d.Kept, d.Now)
				}
			}
		}
		if err == nil && !k.Same {
			err = fault.New(fault.Conflict, "the sheet %s differs", kept.ID.Text())
		}
		return err
	})
}

// keep works a finding's sheet out and records it.
func (c findingsCmd) keep(a *app, st *store.Store, answers *assess.Assessor) error {
	part := strings.Split(c.Keep, "/")
	if len(part) != 3 {
		return fault.Misused("--keep: found %s, expected KIND/TAG/CAUSE such as printer/P-014/skipped_probing", fault.Quote(c.Keep))
	}
	id, err := uuid.NewV7()
	if err != nil {
		return err
	}
	now := st.Now()
	sheet, err := answers.SheetOf(a.ctx, now, now, assess.About{Kind: part[0], Subject: part[1], Cause: part[2]})
	if err != nil {
		return err
	}
	text, err := sheet.JSON()
	if err != nil {
		return err
	}
	w := store.SheetWanted{ID: id, SubjectKind: part[0], Tag: part[1], Cause: part[2], At: sheet.AsOf.Time(), KnownAt: sheet.KnownAt.Time(), Because: "asked", Via: "command"}
	if err := st.KeepSheet(a.ctx, w, sheet.State, fmt.Sprint(assess.DefinitionsVersion), text); err != nil {
		return err
	}
	_, err = fmt.Fprintln(a.stdout, id)
	return err
}
