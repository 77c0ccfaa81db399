package main

import (
	"encoding/json"
	"fmt"
	"regexp"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
)

type auditVerifyCmd struct {
	Format string `enum:"text,json" default:"text" help:"text or json."`
	Head   string `placeholder:"HEX" help:"A head printed by an earlier check: it must still be in the chain."`
}

// Help is shown by --help.
func (auditVerifyCmd) Help() string {
	return `Reads everything that was ever recorded or changed and holds it against the chain of seals: who changed what, when, from what to what, and each record's row. It says where something is not what was written, and ends with 1 then.

The head it prints stands for the whole trail. Keep it away from the database (on paper, in a mail): whoever could rewrite the whole database could write a new chain, but none that holds an old head.

Example:

    basecourse audit verify
    basecourse audit verify --head 5f0c…`
}

var headForm = regexp.MustCompile(`^[0-9A-Fa-f]{64}$`)

// Run verifies.
func (c auditVerifyCmd) Run(a *app) error {
	if c.Head != "" && !headForm.MatchString(c.Head) {
		return fault.Misused("--head: found %s, expected the 64 digits and letters that audit verify printed", fault.Quote(c.Head))
	}
	return a.withStore(false, func(st *store.Store) error {
		if err := a.sealAll(st); err != nil {
			a.say("What was written lately could not be sealed and is not checked: %v", err)
		}
		report, err := st.Verify(a.ctx, c.Head)
		if err != nil {
			return err
		}
		if c.Format == "json" {
			b, err := json.MarshalIndent(report, "", "  ")
			if err != nil {
				return err
			}
			fmt.Fprintf(a.stdout, "%s\n", b)
		} else {
			a.printAudit(report)
		}
		switch {
		case report.Broken > 0:
			return &toldError{"the trail is not what was written"}
		case c.Head != "" && !report.HeadFound:
			return fault.New(fault.Invalid, "the head %s is not in the chain: the chain was written anew, or this is another farm", c.Head)
		}
		return nil
	})
}

// sealAll takes every act that waits into the chain.
func (a *app) sealAll(st *store.Store) error {
	for {
		n, err := st.Seal(a.ctx)
		if err != nil || n == 0 {
			return err
		}
	}
}

func (a *app) printAudit(r *store.Audit) {
	for _, b := range r.Breaks {
		fmt.Fprintf(a.stdout, "broken: %s\n", b.What)
	}
	if more := r.Broken - len(r.Breaks); more > 0 {
		fmt.Fprintf(a.stdout, "broken: and %d more\n", more)
	}
	if r.Head != "" {
		fmt.Fprintf(a.stdout, "%d acts in %d seals, the last of %s\n", r.Acts, r.Seals, r.SealedAt.UTC().Format(time.RFC3339))
		fmt.Fprintf(a.stdout, "head %s\n", r.Head)
	}
	if r.Waiting > 0 {
		fmt.Fprintf(a.stdout, "%d acts are not sealed yet\n", r.Waiting)
	}
	if r.Broken == 0 {
		fmt.Fprintln(a.stdout, "The trail is whole.")
	}
}
