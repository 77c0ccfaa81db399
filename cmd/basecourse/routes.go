package main

import (
	"encoding/json"
	"fmt"
	"text/tabwriter"

	"basecourse/internal/web"
)

type routesCmd struct {
	Format string `enum:"text,json" default:"text" help:"text or json."`
}

// Help is shown by --help.
func (routesCmd) Help() string {
	return `From the table that guards them. Roles from least to most: anyone, tablet, operator, manager, admin.

Example:

    basecourse routes --format json`
}

// Run prints the table.
func (c routesCmd) Run(a *app) error {
	routes := web.Routes()
	if c.Format == "json" {
		b, err := json.MarshalIndent(routes, "", "  ")
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(a.stdout, "%s\n", b)
		return err
	}
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	for _, r := range routes {
		fmt.Fprintf(w, "%s\t%s\t%s\n", r.Method, r.Path, r.Role)
	}
	return w.Flush()
}
