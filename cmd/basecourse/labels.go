package main

import (
	"bytes"
	"net"
	"net/url"
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/printable"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

type labelsCmd struct {
	Tags    []string `arg:"" optional:"" help:"Tags of printers and plates."`
	All     string   `enum:",printer,plate,both" default:"" placeholder:"KIND" help:"All in service: printer, plate or both."`
	Paper   string   `default:"a4-24" help:"a4-24, a4-14, letter-30, letter-10, single-62x29 or single-50x30."`
	Copies  int      `default:"1" help:"Labels of each."`
	From    int      `default:"1" help:"Begin at this label of a sheet that is partly used, counted from the upper left."`
	Address string   `placeholder:"URL" help:"Address of the farm as phones reach it (default: BASECOURSE_PUBLIC_URL with BASECOURSE_BASE_PATH)."`
	Out     string   `short:"o" placeholder:"FILE" help:"Write to this file (default: standard output)."`
}

// Help is shown by --help.
func (labelsCmd) Help() string {
	return `Sheets of labels in true size: a QR code that opens the printer's grading or the plate's page on any phone that reaches the farm, the tag with its check letter, and the address in words. Print at 100 %.

For plates: edge or tab only, never under the plate; paper and film do not last on a heated plate. The plate's page has a drawing to engrave.

Example:

    basecourse labels --all printer --paper a4-24 --from 5 --address https://farm.example -o labels.pdf`
}

// Run writes the labels.
func (c labelsCmd) Run(a *app) error {
	if c.Out == "" && onTerminal(a.stdout) {
		return fault.Misused("a PDF is no text for a terminal: give a file with -o, or send the output on")
	}
	sheet, ok := printable.SheetByCode(c.Paper)
	if !ok {
		codes := make([]string, len(printable.Sheets))
		for i, s := range printable.Sheets {
			codes[i] = s.Code
		}
		return fault.Misused("--paper: found %q, expected one of %s", c.Paper, strings.Join(codes, ", "))
	}
	base, err := c.base(a)
	if err != nil {
		return err
	}
	var all []string
	switch c.All {
	case "both":
		all = []string{"printer", "plate"}
	case "printer", "plate":
		all = []string{c.All}
	default:
		if len(c.Tags) == 0 {
			return fault.Misused("name tags of printers and plates, or use --all")
		}
	}
	order := printable.Order{Sheet: sheet, Copies: c.Copies, From: c.From}
	err = a.withStore(false, func(st *store.Store) error {
		labels, problems, err := web.ThingsToLabel(a.ctx, st, base, strings.Join(c.Tags, "\n"), all)
		if err == nil && len(problems) > 0 {
			err = fault.At(problems...)
		}
		order.Labels = labels
		return err
	})
	if err != nil {
		return err
	}
	if len(order.Labels) == 0 {
		return fault.New(fault.Invalid, "there is nothing to label: the farm has none of these in service")
	}
	var file bytes.Buffer
	if err := order.WritePDF(&file); err != nil {
		return flagsMisused(err)
	}
	if err := putFile(a, c.Out, file.Bytes()); err != nil {
		return err
	}
	a.say("%d labels on %d sheets of %s. They lead to %s.", len(order.Labels)*order.Copies, order.Pages(), sheet.Word, web.ShortAddress(base, "TAG"))
	if why := web.Unreached(base); why != "" {
		a.say("Phones will not reach this address. %s", why)
	}
	return nil
}

// base is the farm's address as the labels give it.
func (c labelsCmd) base(a *app) (string, error) {
	if c.Address != "" {
		u, err := url.Parse(c.Address)
		if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" || u.RawQuery != "" || u.Fragment != "" {
			return "", fault.Misused("--address: found %q, expected an address such as https://farm.example", c.Address)
		}
		return strings.TrimSuffix(u.Scheme+"://"+u.Host+u.EscapedPath(), "/"), nil
	}
	place := "http://" + a.set.Listen
	if host, port, err := net.SplitHostPort(a.set.Listen); err == nil && host == "" {
		place = "http://127.0.0.1:" + port
	}
	if u, err := url.Parse(a.set.PublicURL); err == nil && u.Host != "" {
		place = u.Scheme + "://" + u.Host
	}
	return strings.TrimSuffix(place+"/"+strings.Trim(a.set.BasePath, "/"), "/"), nil
}
