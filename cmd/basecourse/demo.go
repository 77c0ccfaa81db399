package main

import (
	"context"
	"crypto/rand"
	"encoding/base32"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/localdb"
	"basecourse/internal/simfarm"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

type demoCmd struct {
	Reset bool `help:"Throw the invented farm away and start anew; its last day is then today."`
}

// Help is shown by --help.
func (demoCmd) Help() string {
	return `Makes a farm of 60 printers, 130 plates and ten weeks in a private database, and serves it on this machine. A second start finds it as it was left. It uses demo/ in the data folder, never DATABASE_URL. Ctrl-C stops everything it started.

Standard output: ready, the address, and a line ROLE HANDLE PASSWORD for each who may sign in.

Example:

    basecourse demo --listen 127.0.0.1:8090`
}

// demoSeed decides what happens on the invented farm: everybody sees the same.
const demoSeed = 20

// demoPeople are who may sign in to the demo.
var demoPeople = []string{"operator", "manager", "admin"}

// Run makes the farm unless it is there, and serves it.
func (c demoCmd) Run(a *app) (err error) {
	if a.env[databaseURL] != "" {
		a.say("The demo does not use %s: it has a private database of its own.", databaseURL)
	}
	ctx, cancel := withGoRun(a.ctx)
	defer cancel()
	a.ctx = ctx
	l, err := a.listen()
	if err != nil {
		return err
	}
	defer l.Close()
	dir := filepath.Join(a.set.Data, "demo")
	if c.Reset {
		if err := resetDemo(a.ctx, dir); err != nil {
			return err
		}
	}
	d, err := a.openPrivate(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	if err := store.Migrate(a.ctx, d.url); err != nil {
		return err
	}
	st, err := store.Open(a.ctx, d.url)
	if err != nil {
		return err
	}
	defer st.Close()
	if err := a.inventFarm(st); err != nil {
		return err
	}
	people, err := a.demoAccounts(st, dir)
	if err != nil {
		return err
	}
	return a.serve(a.ctx, st, l, nil, nil, func() {
		fmt.Fprintf(a.stdout, "ready %s\n%s", a.address(l), people)
	})
}

// resetDemo removes the invented farm and what belongs to it.
func resetDemo(ctx context.Context, dir string) error {
	if err := localdb.Reset(ctx, dir); err != nil {
		return err
	}
	if err := os.Remove(signInPath(dir)); err != nil && !os.IsNotExist(err) {
		return err
	}
	return nil
}

// inventFarm fills an empty database. It goes in as one transaction, so a farm
// is there whole or not at all.
func (a *app) inventFarm(st *store.Store) error {
	facts, err := st.FarmFacts(a.ctx, time.Now())
	if err != nil || facts.Printers > 0 {
		return err
	}
	began := time.Now()
	a.say("Inventing a farm ...")
	progress, done := a.progress("recording")
	report, err := st.ImportFarm(a.ctx, store.Act{Via: "program", Why: "the demo's invented farm"}, simfarm.Demo(began, demoSeed), store.ImportOptions{Progress: progress})
	done()
	if err != nil {
		return err
	}
	if !report.Stored {
		return fault.At(report.Problems...)
	}
	rows := 0
	for _, f := range report.Files {
		rows += f.Rows
	}
	a.say("Recorded %d rows of an invented farm in %s.", rows, time.Since(began).Round(time.Second))
	return nil
}

// signInPath is where the demo's passwords are kept: they are made at random at
// the first start, and the next start must print them again.
func signInPath(dir string) string { return filepath.Join(dir, "sign-in") }

// demoAccounts makes the people who may sign in and gives their lines.
func (a *app) demoAccounts(st *store.Store, dir string) (string, error) {
	kept, err := os.ReadFile(signInPath(dir))
	if err != nil && !os.IsNotExist(err) {
		return "", err
	}
	if err != nil {
		var b strings.Builder
		for _, role := range demoPeople {
			raw := make([]byte, 10)
			if _, err := rand.Read(raw); err != nil {
				return "", err
			}
			password := strings.ToLower(base32.StdEncoding.EncodeToString(raw))
			fmt.Fprintf(&b, "%s %s %s\n", role, "demo-"+role, password)
		}
		kept = []byte(b.String())
		// Written before the accounts are: after a kill they are made from it.
		if err := writeWhole(signInPath(dir), kept); err != nil {
			return "", err
		}
	}
	for line := range strings.Lines(string(kept)) {
		f := strings.Fields(line)
		if len(f) != 3 {
			return "", fault.New(fault.Invalid, "%s: found %s, expected ROLE HANDLE PASSWORD; start with --reset", signInPath(dir), fault.Quote(line))
		}
		err := web.AddUser(a.ctx, st, f[1], f[0], f[2])
		if err != nil && !fault.Is(err, fault.Conflict) {
			return "", err
		}
	}
	return string(kept), nil
}

// writeWhole writes a file that is there whole or not at all.
func writeWhole(path string, content []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(content)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
