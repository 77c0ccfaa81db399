package main

import (
	"bytes"
	"io"
	"os"
	"path/filepath"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/printable"
	"basecourse/internal/store"
)

type couponCmd struct {
	Printer string `required:"" placeholder:"TAG" help:"For the bed of this printer."`
	Format  string `enum:"stl,3mf" default:"3mf" help:"stl or 3mf."`
	Out     string `short:"o" placeholder:"FILE" help:"Write to this file (default: standard output)."`
	profileFlags
	DensityGCm3 *float64 `name:"density-g-cm3" placeholder:"G" help:"Density of the material, for the expected mass (default 1.24)."`
}

// Help is shown by --help.
func (couponCmd) Help() string {
	return `A test print one layer high, sized for the printer: in every zone a stripe one line wide to measure the nozzle's height on, a solid patch to look at, and the zone's address. Layer height and line width are those of the printer's latest first layer unless given. The expected mass is said beside it.

Print it where it lies, let the bed cool before peeling, and measure the stripes.

Example:

    basecourse coupon --printer P-001 --format 3mf -o coupon.3mf`
}

// Run writes the coupon.
func (c couponCmd) Run(a *app) error {
	if c.Out == "" && onTerminal(a.stdout) {
		return fault.Misused("a coupon is no text for a terminal: give a file with -o, or send the output on")
	}
	density := given(c.DensityGCm3, printable.UsualDensity)
	if !(density >= 0.1 && density <= 25) {
		return fault.Misused("--density-g-cm3: found %g, expected 0.1 to 25 g/cm³", density)
	}
	var coupon *printable.Coupon
	err := a.withStore(false, func(st *store.Store) error {
		p, err := st.PrinterByTag(a.ctx, c.Printer)
		if err != nil {
			return err
		}
		height, width, pitch, err := st.LatestProfile(a.ctx, c.Printer)
		if err != nil {
			return err
		}
		if c.LayerHeightMM != nil || c.LineWidthMM != nil {
			pitch = farm.Unknown() // it belongs to the other profile
		}
		coupon, err = printable.ForPrinter(p, given(c.LayerHeightMM, height), given(c.LineWidthMM, width), given(c.LinePitchMM, pitch))
		return flagsMisused(err)
	})
	if err != nil {
		return err
	}
	var file bytes.Buffer
	write := printable.Write3MF
	if c.Format == "stl" {
		write = printable.WriteSTL
	}
	if err := write(&file, coupon.Mesh(), "Coupon for "+c.Printer); err != nil {
		return err
	}
	if err := putFile(a, c.Out, file.Bytes()); err != nil {
		return err
	}
	a.say("Coupon for %s: %d zones, layer %.2f mm, lines %.2f mm, stripes %.1f mm, patches %.1f mm.", c.Printer, coupon.Grid.Cols*coupon.Grid.Rows,
		coupon.Profile.HeightMM, coupon.Profile.WidthMM, coupon.SquareMM, coupon.PatchMM)
	a.say("Expected mass %.2f g at %.2f g/cm³, a patch %.2f g.", coupon.MassG(density), density, coupon.PatchMassG(density))
	if !coupon.Gaugeable() {
		a.say("Patches under %.1f mm are too small to measure; they are to look at.", printable.GaugeMM)
	}
	return nil
}

// putFile writes the file whole or not at all.
func putFile(a *app, out string, data []byte) error {
	if out == "" {
		_, err := io.Copy(a.stdout, bytes.NewReader(data))
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(out), ".basecourse-*")
	if err != nil {
		return fault.Wrap(fault.Invalid, err, "cannot write %s", out)
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.Write(data)
	if err == nil {
		err = f.Chmod(0o644)
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err == nil {
		err = os.Rename(f.Name(), out)
	}
	if err != nil {
		return fault.Wrap(fault.Invalid, err, "cannot write %s", out)
	}
	return nil
}
